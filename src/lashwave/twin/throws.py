"""Scenes drawn from a seed: throws that crack, swings that never do, lines held at both ends."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from lashwave.mechanics import (
    Chain,
    Law,
    SimulationError,
    Trajectory,
    build,
    medium,
    simulate,
    stations,
)
from lashwave.quantities import TRIAL_GRAVITY, Air, Array
from lashwave.twin.found_throws import CHOSEN, MOTHERS
from lashwave.twin.hands import draw_held_grips, draw_swing_grip, draw_throw_path
from lashwave.twin.lines import HELD_LINK, draw_lash, vary_lash
from lashwave.twin.throw_scene import Lash, ThrowScene

MACH = (0.9, 1.8)
"""Peak tip Mach number that a throw must reach and not pass."""
EARLIEST, LONGEST = 0.42, 1.4
"""When a throw may crack [s]."""
TRIES = 60
TRIED = 2e-4
"""Output step of a trial run [s]."""
NEAR_AIM = 0.12
"""How near a throw must come to the speed that its seed asks for, as a ratio."""
SHARPEST = 0.010
"""Smallest fold radius before the crack [m]; sharper folds ask for links under 8 mm."""


class Spacing(NamedTuple):
    """Node spacing at the grip and at the far end [m]."""

    butt: float
    tip: float


ROUGH, FINE, SWUNG = Spacing(0.03, 0.011), Spacing(0.010, 0.006), Spacing(0.02, 0.015)
FEWEST_LINKS = 160
CLAMPED = 0.003
"""Link length at a clamp [m]: the line leaves it within sqrt(EI / T), here 8 to 30 mm."""


def chain_of(lash: Lash, spacing: Spacing = FINE, fewest: int = 0) -> Chain:
    """The true line with its markers, cut into links; at least `fewest` of them."""
    line = lash.true
    assert line.bending_stiffness is not None
    clamp = line.length - HELD_LINK if line.ends == "held" else line.length
    while True:
        # No nodes at the markers: a short link between two of them would rule the step. A
        # marker's mass is shared by the ends of the link that it sits on.
        nodes = stations(line, np.array([clamp]), *spacing, spacing_clamp=CLAMPED)
        nodes = nodes[(nodes <= clamp + 1e-12) | (nodes == line.length)]
        if nodes.size > fewest:
            break
        spacing = Spacing(0.93 * spacing.butt, 0.93 * spacing.tip)
    count = lash.station.size
    return build(
        line,
        nodes,
        line.bending_stiffness,
        lash.station,
        np.full(count, lash.marker_mass),
        np.full(count, lash.marker_diameter),
    )


def run(scene: ThrowScene, chain: Chain, times: Array, rtol: float) -> Trajectory:
    """The scene's motion at `times` (T,) [s], from rest."""
    return simulate(
        chain,
        scene.grip,
        medium(scene.air),
        TRIAL_GRAVITY,
        scene.law,
        times,
        far=scene.far,
        rtol=rtol,
        implicit=True,
    )


def _law(rng: np.random.Generator) -> Law:
    """Scales of the true law: what handbooks and static tests leave open."""
    return Law(
        drag_normal=float(np.exp(np.clip(rng.normal(0.0, 0.08), -0.15, 0.15))),
        drag_tangential=float(np.exp(rng.normal(0.0, 0.3))),
        drag_tuft=float(np.exp(rng.normal(0.0, 0.2))),
        stiffness_scale=float(np.exp(np.clip(rng.normal(0.0, 0.1), -0.2, 0.2))),
        damping_time=float(2e-3 * np.exp(np.clip(rng.normal(0.0, 0.4), -0.69, 0.69))),
    )


def draw_air(rng: np.random.Generator) -> Air:
    """The air of a laboratory: 15 to 25 °C, 30 to 70 % humidity."""
    return Air(
        temperature=float(np.round(rng.uniform(288.15, 298.15), 2)),
        pressure=float(np.round(rng.uniform(98e3, 103e3), -2)),
        relative_humidity=float(np.round(rng.uniform(0.3, 0.7), 2)),
    )


class Trialled(NamedTuple):
    """What a throw came to."""

    mach: float
    """Peak tip speed over the speed of sound."""
    time: float
    """Of that peak [s]."""
    radius: float
    """Smallest radius of the fold in the last 10 ms before it [m]."""


def try_out(scene: ThrowScene, spacing: Spacing = FINE, rtol: float = 1e-3) -> Trialled:
    """Run a scene and see how fast its tip gets and how sharply the line folds."""
    times = np.arange(0.0, scene.duration, TRIED)
    chain = chain_of(scene.lash, spacing)
    path = run(scene, chain, times, rtol)
    speed = np.linalg.norm(path.velocity[:, -1], axis=-1)
    k = int(speed.argmax())
    before = path.position[max(k - round(0.01 / TRIED), 0) : k + 1]
    tangent = np.diff(before, axis=1) / chain.length[:, None]
    span = 0.5 * (chain.length[1:] + chain.length[:-1])
    curvature = (np.linalg.norm(np.diff(tangent, axis=1), axis=-1) / span)[:, 1:]
    return Trialled(
        float(speed[k] / medium(scene.air).sound_speed), float(times[k]), float(1 / curvature.max())
    )


def good(found: Trialled, mach: tuple[float, float] = MACH) -> bool:
    """Whether a throw belongs to the family: a crack, in time, by a fold the line can resolve."""
    reached = mach[0] + 0.02 <= found.mach <= mach[1] - 0.05
    return reached and EARLIEST < found.time < LONGEST and found.radius > SHARPEST


def draw_throw(seed: int, stiffness: bool = True, spacing: Spacing = FINE) -> ThrowScene:
    """A throw whose tip reaches Mach 0.9 to 1.8 within 1.4 s, on links of this spacing.

    A mother is drawn, then varied in line, law, hand and tempo until the tip is as fast as the
    seed asks. What the first seeds came to is kept in `chosen`, so that they need no search.
    """

    def make(attempt: int, tempo: float, peak: float | None = None) -> ThrowScene:
        return _throw(seed, attempt, tempo, stiffness, peak)

    if seed in CHOSEN:
        return make(*CHOSEN[seed])
    aim = np.random.default_rng([seed, 5]).uniform(*MACH)
    return search(make, Sought(aim), TRIES, spacing, f"seed {seed}")


class Sought(NamedTuple):
    """How fast a throw's tip must be."""

    aim: float
    """Peak tip Mach number that is asked for."""
    near: float = NEAR_AIM
    """How near it must come, as a ratio's logarithm."""
    mach: tuple[float, float] = MACH
    """The least and the greatest that will do."""
    hopeless: tuple[float, float] = (0.5, 2.5)
    """An attempt slower or faster than this is given up: no tempo would mend it."""


def search(
    make: Callable[..., ThrowScene], sought: Sought, tries: int, spacing: Spacing, name: str
) -> ThrowScene:
    """The first attempt that cracks as fast as is asked for, its tempo set by trial.

    Parameters
    ----------
    make : gives the scene of an attempt, a tempo and, once known, the time of the peak [s].
    tries : attempts before it is given up. name : of the throw, for the message.

    Raises
    ------
    SimulationError
        Where no attempt will do.
    """
    aim, mach, (slow, fast) = sought.aim, sought.mach, sought.hopeless
    for attempt in range(tries):
        tempo = 1.0
        for _ in range(4):
            scene = make(attempt, tempo)
            try:
                found = try_out(scene, ROUGH)
                if good(found, mach) and spacing != ROUGH:
                    found = try_out(scene, spacing)
            except SimulationError:
                break
            if good(found, mach) and abs(np.log(found.mach / aim)) < sought.near:
                return make(attempt, tempo, found.time)
            if not slow < found.mach < fast or found.radius < 0.7 * SHARPEST:
                break
            # The path of a line without weight scales with the tempo, and its speeds with it.
            tempo = float(np.clip(round(tempo * aim / found.mach, 3), 0.6, 2.2))
    raise SimulationError(f"no throw of {name} cracked in {tries} tries; take another seed")


def _throw(
    seed: int, attempt: int, tempo: float, stiffness: bool, peak: float | None = None
) -> ThrowScene:
    """The attempt's throw at a tempo; the record ends 40 to 90 ms after the peak.

    peak : [s]; None while it is sought, within 0.12 s of the hand's stop.
    """
    rng = np.random.default_rng([seed, 4, attempt])
    mother, strokes, own = MOTHERS[int(rng.integers(len(MOTHERS)))]
    lash = vary_lash(np.random.default_rng([mother, 1]), rng, stiffness)
    law, air = _law(rng), draw_air(rng)
    path = draw_throw_path(np.random.default_rng([mother, 4, strokes])).varied(rng)
    path = path.faster(own * tempo)
    # The marker record should not begin with the first stroke, nor last under half a second.
    path = path.later(float(rng.uniform(0.0, 0.15)) + max(0.0, 0.45 - path.end))
    duration = path.end + 0.12 if peak is None else peak + float(rng.uniform(0.04, 0.09))
    choice = (attempt, tempo)
    return ThrowScene("throw", seed, lash, path.grip(duration), None, law, air, duration, choice)


def draw_swing(seed: int, stiffness: bool = True) -> ThrowScene:
    """A swing of 0.8 to 1.5 s that never cracks."""
    rng = np.random.default_rng([seed, 2])
    lash = draw_lash(rng, "swing", stiffness)
    law, air, duration = _law(rng), draw_air(rng), float(rng.uniform(0.8, 1.5))
    return ThrowScene("swing", seed, lash, draw_swing_grip(rng, duration), None, law, air, duration)


def draw_held(seed: int, stiffness: bool = True) -> ThrowScene:
    """A line held and shaken at both ends for 0.8 to 1.5 s."""
    rng = np.random.default_rng([seed, 3])
    lash = draw_lash(rng, "held", stiffness)
    law, air, duration = _law(rng), draw_air(rng), float(rng.uniform(0.8, 1.5))
    near, far = draw_held_grips(rng, lash.true.length, duration)
    return ThrowScene("held", seed, lash, near, far, law, air, duration)
