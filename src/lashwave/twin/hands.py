"""How hands move: strokes for throws, sums of waves for swings, both smooth to the third rate.

Lengths in m, angles in rad. A throw lies near a vertical plane; a small turn of that plane and a
sideways drift take it out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lashwave.mechanics import Grip
from lashwave.quantities import Array

SAMPLE = 2e-3
"""Time between the spline's knots [s]."""


def ease(x: Array) -> Array:
    """0 before 0, 1 after 1, with three vanishing rates at both ends.

    x : any shape, no unit.
    """
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x**4 * (35 - x * (84 - x * (70 - 20 * x))))


@dataclass(frozen=True)
class Stroke:
    """A smooth change by `size` that begins at `start` and takes `span` seconds."""

    start: float
    span: float
    size: float

    def at(self, time: Array) -> Array:
        """The change (T,) at times (T,) [s]; in the unit of `size` [m or rad]."""
        return np.asarray(self.size * ease((time - self.start) / self.span))


@dataclass(frozen=True)
class Throw:
    """Back stroke and forward stroke of a grip: angle over the level, forward, up, aside."""

    angle: float
    """At the start [rad]."""
    turn: tuple[Stroke, ...]
    forward: tuple[Stroke, ...]
    up: tuple[Stroke, ...]
    aside: tuple[Stroke, ...]
    lean: tuple[Stroke, ...]
    """Of the grip out of the plane [rad]."""
    azimuth: float
    """Of the plane [rad]."""

    def mapped(self, change: Callable[[Stroke], Stroke]) -> Throw:
        """The same throw with every stroke changed."""

        def each(strokes: tuple[Stroke, ...]) -> tuple[Stroke, ...]:
            return tuple(change(stroke) for stroke in strokes)

        return replace(
            self,
            turn=each(self.turn),
            forward=each(self.forward),
            up=each(self.up),
            aside=each(self.aside),
            lean=each(self.lean),
        )

    def faster(self, factor: float) -> Throw:
        """The same path in less time."""
        return self.mapped(lambda s: Stroke(s.start / factor, s.span / factor, s.size))

    def later(self, delay: float) -> Throw:
        """The same throw begun `delay` seconds later."""
        return self.mapped(lambda s: Stroke(s.start + delay, s.span, s.size))

    def varied(self, rng: np.random.Generator) -> Throw:
        """A sister: times and sizes some 4 % off, another plane, other ways out of it."""
        sister = self.mapped(
            lambda s: Stroke(
                s.start + 0.006 * float(rng.normal()),
                s.span * float(np.exp(0.04 * rng.normal())),
                s.size * float(np.exp(0.05 * rng.normal())),
            )
        )
        lean = tuple(Stroke(s.start, s.span, float(rng.normal(0.0, 0.08))) for s in self.lean)
        return replace(
            sister,
            angle=self.angle + float(rng.normal(0.0, 0.05)),
            aside=tuple(Stroke(s.start, s.span, float(rng.normal(0.0, 0.06))) for s in self.aside),
            lean=lean,
            azimuth=float(rng.uniform(-0.25, 0.25)),
        )

    @property
    def end(self) -> float:
        """When the hand has turned forward [s]."""
        return self.turn[-1].start + self.turn[-1].span

    def grip(self, duration: float) -> Grip:
        """The grip's motion from time 0 to `duration` and a little beyond."""
        time = np.arange(-5 * SAMPLE, duration + 6 * SAMPLE, SAMPLE)
        angle = self.angle + sum((s.at(time) for s in self.turn), np.zeros_like(time))
        lean = sum((s.at(time) for s in self.lean), np.zeros_like(time))
        forward = sum((s.at(time) for s in self.forward), np.zeros_like(time))
        aside = sum((s.at(time) for s in self.aside), np.zeros_like(time))
        up = 1.2 + sum((s.at(time) for s in self.up), np.zeros_like(time))
        ahead = np.array([np.cos(self.azimuth), np.sin(self.azimuth), 0.0])
        across = np.array([-np.sin(self.azimuth), np.cos(self.azimuth), 0.0])
        high = np.array([0.0, 0.0, 1.0])
        place = forward[:, None] * ahead + aside[:, None] * across + up[:, None] * high
        flat = np.cos(angle)[:, None] * ahead + np.sin(angle)[:, None] * high
        direction = np.cos(lean)[:, None] * flat + np.sin(lean)[:, None] * across
        return Grip(time, place, direction)


def draw_throw_path(rng: np.random.Generator) -> Throw:
    """A throw of the family that a search over some hundred random strokes singled out.

    The grip first lifts and turns back over the shoulder, then turns forward and stops; the time
    between the strokes decides how sharply the line folds.
    """
    back, forth = rng.uniform(0.25, 0.5), rng.uniform(0.17, 0.36)
    begin = 0.05
    turn = begin + back + rng.uniform(-0.07, 0.08)
    return Throw(
        angle=rng.uniform(-1.4, -0.4),
        turn=(
            Stroke(begin, back, rng.uniform(1.6, 3.6)),
            Stroke(turn, forth, -rng.uniform(2.6, 3.9)),
        ),
        forward=(
            Stroke(begin + rng.uniform(-0.03, 0.05), back, -rng.uniform(0.0, 0.6)),
            Stroke(turn + rng.uniform(-0.1, 0.05), forth, rng.uniform(0.4, 1.0)),
        ),
        up=(
            Stroke(begin + rng.uniform(-0.03, 0.05), back, rng.uniform(0.25, 0.85)),
            Stroke(turn + rng.uniform(-0.05, 0.1), forth, -rng.uniform(0.0, 0.8)),
        ),
        aside=(Stroke(turn - 0.1, 0.4, rng.normal(0.0, 0.06)),),
        lean=(
            Stroke(begin, back, rng.normal(0.0, 0.06)),
            Stroke(turn, forth, rng.normal(0.0, 0.1)),
        ),
        azimuth=rng.uniform(-0.25, 0.25),
    )


def _waves(rng: np.random.Generator, time: Array, size: float, low: float, high: float) -> Array:
    """Three sinusoids between `low` and `high` Hz in each of three coordinates, (G, 3)."""
    frequency = rng.uniform(low, high, (3, 3))
    phase = rng.uniform(0.0, 2 * np.pi, (3, 3))
    weight = rng.normal(0.0, size / np.sqrt(3), (3, 3))
    angle = 2 * np.pi * frequency * time[:, None, None] + phase
    # Begins at rest and at its place: eased in over 0.3 s.
    return np.asarray((weight * (np.sin(angle) - np.sin(phase))).sum(1) * ease(time / 0.3)[:, None])


def draw_swing_grip(rng: np.random.Generator, duration: float) -> Grip:
    """A hand that swings a hanging line to and fro, far below the speed of a crack."""
    time = np.arange(-5 * SAMPLE, duration + 6 * SAMPLE, SAMPLE)
    place = np.array([0.0, 0.0, 1.6]) + _waves(rng, time, 0.12, 0.6, 2.2) * [1.0, 0.4, 0.5]
    direction = np.array([0.3, 0.0, -1.0]) + _waves(rng, time, 0.4, 0.5, 2.0) * [1.0, 0.4, 0.2]
    return Grip(time, place, direction)


def draw_held_grips(rng: np.random.Generator, length: float, duration: float) -> tuple[Grip, Grip]:
    """Two hands that hold a sagging line's ends and shake it."""
    time = np.arange(-5 * SAMPLE, duration + 6 * SAMPLE, SAMPLE)
    reach = length * rng.uniform(0.55, 0.85)
    near = _waves(rng, time, 0.08, 0.6, 2.5)
    far = _waves(rng, time, 0.08, 0.6, 2.5)
    start, end = np.array([-0.5 * reach, 0.0, 1.4]), np.array([0.5 * reach, 0.0, 1.4])
    tilt = _waves(rng, time, 0.2, 0.5, 2.0)
    return (
        Grip(time, start + near, np.array([0.8, 0.0, -0.6]) + tilt),
        Grip(time, end + far, np.array([0.8, 0.0, 0.6]) - tilt[:, [1, 0, 2]]),
    )
