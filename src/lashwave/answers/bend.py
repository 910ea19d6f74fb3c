"""Where does the line bend, how far does it turn there, and how fast does the bend run along it?

Curvature depends on the grid: a fold is as sharp as the links that carry it, and next to a clamp a
line of small stiffness bends most of all. So the turn is asked of chords of one stated length. At a
station s the chords from s - h to s and from s to s + h make an angle, its turn; the bend is where
the turn is greatest, and the line has one where that is at least `LEAST`. h is `ARM` of the line,
so that the chord toward the butt starts no nearer than the grip's end and the clamp's own bend is
none; towards the tip h shrinks with what is left of the line, down to `SHORTEST` of it. Chords take
positions alone, which converge as the grid is refined, and average the jitter of draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Array, Draws, Index

ARM = 0.08
"""Share of the line's length: about the loop of most throws, narrow against what it runs through.
With 0.15 and 0.2 the chords hold more than the bend, and near the tip it stands still."""
SHORTEST = 0.02
"""Share of the line that a chord has at least."""
LEAST = np.pi / 4.0
"""Turn [rad] of a line that counts as bent."""
ACROSS = 400
"""Stations at which the turn is asked; the greatest is refined by a parabola."""
HALF_WINDOW = 4
"""Grid times to either side in a fit of the bend's speed."""
JUMP = 0.1
"""Share of the line's length; a bend that moves further between two grid times is another one."""


@dataclass(frozen=True)
class Bends:
    """The bend of n draws at K times; nan where the line has none."""

    station: Array
    """(n, K) [m]"""
    speed: Array
    """(n, K) [m/s], along the line, toward the tip positive."""
    turn: Array
    """(n, K) [rad], given at every time."""


def bends_of(draws: Draws, grip_end: float, chosen: Index | None = None) -> Bends:
    """The bend of the draws `chosen`, or of all, beyond station `grip_end` [m].

    chosen : (A,), numbers of draws.
    """
    every = np.arange(draws.position.shape[0]) if chosen is None else chosen
    found = [sharpest(draws.station, draws.position[d].astype(float), grip_end) for d in every]
    turn = np.stack([t for _, t in found])
    station = np.where(turn >= LEAST, np.stack([s for s, _ in found]), np.nan)
    length = float(draws.station[-1])
    return Bends(station, running(draws.time, station, JUMP * length), turn)


def at_times(bends: Bends, own: slice) -> Bends:
    """The bends at some of the times alone."""
    return Bends(bends.station[:, own], bends.speed[:, own], bends.turn[:, own])


def sharpest(station: Array, position: Array, grip_end: float) -> tuple[Array, Array]:
    """Station [m] and size [rad] of the greatest turn (K,), of positions (K, S, 3)."""
    length = float(station[-1])
    free = length - grip_end
    at = np.linspace(grip_end + ARM * length, length - SHORTEST * length, ACROSS)
    if at[-1] <= at[0]:  # all grip
        at = np.linspace(grip_end + 0.4 * free, grip_end + 0.6 * free, ACROSS)
    arm = np.minimum(ARM * length, np.minimum(length - at, at - grip_end))
    angle = turns(station, position, at, arm)
    k = np.clip(angle.argmax(axis=1), 1, at.size - 2)
    rows = np.arange(k.size)
    left, top, right = angle[rows, k - 1], angle[rows, k], angle[rows, k + 1]
    bow = left - 2.0 * top + right
    with np.errstate(invalid="ignore", divide="ignore"):
        aside = np.clip(np.where(bow < 0.0, 0.5 * (left - right) / bow, 0.0), -1.0, 1.0)
    return np.asarray(at[k] + aside * (at[1] - at[0])), np.asarray(angle.max(axis=1))


def turns(station: Array, position: Array, at: Array, arm: Array) -> Array:
    """Angle (K, M) [rad] between the chords that end and start at stations (M,), `arm` (M,) long.

    By Kahan's formula (from memory), which is good at 0 and at pi.
    """
    return _angle(*(_place(station, position, at + step) for step in (-arm, 0.0 * arm, arm)))


def turn_at(station: Array, position: Array, at: Array, arm: Array) -> Array:
    """The same angle (K,) [rad] at one station (K,) a time, each with its arm (K,)."""
    known = np.isfinite(at)
    rows = np.arange(at.size)[:, None]
    where = np.where(known, at, station[1])[:, None] + np.where(known, arm, 0.0)[:, None] * [
        -1,
        0,
        1,
    ]
    j = np.clip(np.searchsorted(station, where, side="right") - 1, 0, station.size - 2)
    share = ((where - station[j]) / (station[j + 1] - station[j]))[..., None]
    place = (1.0 - share) * position[rows, j] + share * position[rows, j + 1]
    return np.where(known, _angle(*np.moveaxis(place, 1, 0)), np.nan)


def _angle(back: Array, here: Array, ahead: Array) -> Array:
    """Angle (...) between the chords of places (..., 3)."""
    behind, beyond = here - back, ahead - here
    for chord in (behind, beyond):
        chord /= np.maximum(np.linalg.norm(chord, axis=-1, keepdims=True), 1e-300)
    apart, along = (np.linalg.norm(behind + sign * beyond, axis=-1) for sign in (-1.0, 1.0))
    return np.asarray(2.0 * np.arctan2(apart, along))


def _place(station: Array, position: Array, at: Array) -> Array:
    """Positions (K, M, 3) at stations (M,), linear in between."""
    j = np.clip(np.searchsorted(station, at, side="right") - 1, 0, station.size - 2)
    share = ((at - station[j]) / (station[j + 1] - station[j]))[:, None]
    return np.asarray((1.0 - share) * position[:, j] + share * position[:, j + 1])


def running(times: Array, station: Array, jump: float) -> Array:
    """Slope (D, K) [m/s] of stations (D, K) over 2 HALF_WINDOW + 1 grid times.

    nan where the window leaves the record, has no bend somewhere, or holds a jump.
    """
    speed = np.full(station.shape, np.nan)
    width = 2 * HALF_WINDOW + 1
    if times.size < width:
        return speed
    t = np.lib.stride_tricks.sliding_window_view(times, width)
    t = t - t.mean(axis=1, keepdims=True)
    weight = t / (t**2).sum(axis=1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(station, width, axis=1)
    slope = np.einsum("kw,dkw->dk", weight, windows)
    moved = np.abs(np.diff(station, axis=1))
    steps = np.lib.stride_tricks.sliding_window_view(moved, width - 1, axis=1)
    slope[(steps > jump).any(axis=-1)] = np.nan
    speed[:, HALF_WINDOW : times.size - HALF_WINDOW] = slope
    return speed
