"""Scenes drawn from a seed: throws that crack, swings that never do, lines held at both ends.

Throws that a search has found.

`MOTHERS` came from strokes drawn at random for lines drawn at random: the few of some hundred
that crack by a fold which the line can resolve. `CHOSEN` are sisters of them, one a seed, made by
`python benchmarks/choose_throws.py`; a seed that is not there is searched when it is drawn.
"""

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
from lashwave.twin.hands import draw_held_grips, draw_swing_grip, draw_throw_path
from lashwave.twin.lines import HELD_LINK, draw_lash, vary_lash
from lashwave.twin.throw_scene import Lash, ThrowScene

MOTHERS: tuple[tuple[int, int, float], ...] = (
    (0, 2, 1.0),
    (1, 1, 1.362),
    (2, 2, 1.451),
    (3, 50, 0.926),
    (5, 9, 1.0),
    (6, 18, 1.143),
)
"""Line's seed, draw of the strokes, tempo."""

CHOSEN: dict[int, tuple[int, float, float]] = {
    0: (2, 1.14, 0.6514),  # Mach 1.20, fold 33 mm
    1: (0, 1, 0.7640),  # Mach 1.22, fold 16 mm
    2: (0, 2.195, 0.4208),  # Mach 1.70, fold 11 mm
    3: (2, 0.823, 0.8410),  # Mach 1.13, fold 16 mm
    4: (0, 1, 0.4736),  # Mach 1.03, fold 42 mm
    5: (3, 1.207, 0.5706),  # Mach 1.54, fold 11 mm
    6: (1, 1.374, 0.6582),  # Mach 1.18, fold 19 mm
    7: (0, 0.836, 0.7872),  # Mach 0.99, fold 15 mm
    8: (0, 1, 0.7154),  # Mach 1.46, fold 16 mm
    9: (2, 1.714, 0.4792),  # Mach 1.69, fold 16 mm
    10: (3, 1.98, 0.5140),  # Mach 1.61, fold 17 mm
    11: (1, 1, 0.4912),  # Mach 1.02, fold 27 mm
    12: (2, 2.2, 0.5136),  # Mach 1.54, fold 15 mm
    13: (1, 1.504, 0.4226),  # Mach 1.72, fold 21 mm
    14: (0, 1.916, 0.5676),  # Mach 1.69, fold 27 mm
    15: (0, 0.789, 0.8418),  # Mach 0.94, fold 14 mm
    16: (2, 1.419, 0.4448),  # Mach 1.61, fold 28 mm
    17: (2, 1, 0.4650),  # Mach 1.10, fold 29 mm
    18: (1, 1, 0.8936),  # Mach 1.33, fold 10 mm
    19: (0, 0.86, 1.0996),  # Mach 0.99, fold 12 mm
    20: (0, 1, 0.6028),  # Mach 0.99, fold 28 mm
    21: (6, 1.55, 0.5538),  # Mach 1.66, fold 21 mm
    22: (0, 1.312, 0.5400),  # Mach 1.31, fold 29 mm
    23: (0, 2.2, 0.4998),  # Mach 1.22, fold 16 mm
    24: (2, 1.733, 0.4520),  # Mach 1.69, fold 16 mm
    25: (3, 1.706, 0.4952),  # Mach 1.06, fold 17 mm
    26: (1, 1.235, 0.6460),  # Mach 1.60, fold 19 mm
    27: (0, 0.741, 0.7338),  # Mach 0.98, fold 21 mm
    28: (0, 1, 0.9900),  # Mach 1.32, fold 27 mm
    29: (0, 1.129, 0.5948),  # Mach 1.15, fold 32 mm
    30: (0, 1.319, 0.6526),  # Mach 1.67, fold 26 mm
    31: (1, 1.139, 0.9258),  # Mach 0.93, fold 22 mm
    32: (4, 0.743, 1.1748),  # Mach 1.08, fold 18 mm
    33: (1, 1, 0.9052),  # Mach 1.02, fold 22 mm
    34: (0, 1.446, 0.6214),  # Mach 1.63, fold 24 mm
    35: (2, 1.475, 0.4716),  # Mach 1.40, fold 19 mm
    36: (0, 1.29, 0.4786),  # Mach 1.34, fold 25 mm
    37: (1, 1.911, 0.4230),  # Mach 1.64, fold 11 mm
    38: (1, 1.29, 0.4608),  # Mach 0.99, fold 15 mm
    39: (0, 1.455, 0.5136),  # Mach 1.62, fold 30 mm
    40: (1, 1, 0.5706),  # Mach 0.94, fold 23 mm
    41: (2, 1.151, 0.8058),  # Mach 1.55, fold 13 mm
    42: (0, 1, 0.5144),  # Mach 1.17, fold 28 mm
    43: (3, 1.533, 0.5404),  # Mach 1.72, fold 25 mm
    44: (0, 2.2, 0.5354),  # Mach 1.65, fold 13 mm
    45: (0, 1.22, 0.5738),  # Mach 1.38, fold 20 mm
    46: (0, 1, 0.6602),  # Mach 1.11, fold 16 mm
    47: (0, 1.708, 0.4292),  # Mach 1.69, fold 18 mm
    48: (0, 1.159, 0.4846),  # Mach 1.28, fold 17 mm
    49: (1, 0.842, 1.0406),  # Mach 1.03, fold 26 mm
    50: (0, 1, 0.4736),  # Mach 0.98, fold 26 mm
    51: (1, 1.715, 0.4866),  # Mach 1.41, fold 18 mm
    52: (1, 0.807, 0.8776),  # Mach 1.02, fold 19 mm
    53: (2, 2.043, 0.5066),  # Mach 1.63, fold 33 mm
    54: (2, 1.287, 0.4384),  # Mach 1.21, fold 21 mm
    55: (1, 1.348, 0.5488),  # Mach 1.28, fold 26 mm
    56: (0, 0.834, 0.8126),  # Mach 1.06, fold 10 mm
    57: (0, 0.862, 0.8198),  # Mach 1.07, fold 28 mm
    58: (0, 1.228, 0.5736),  # Mach 1.21, fold 40 mm
    59: (0, 1.212, 0.5446),  # Mach 1.60, fold 12 mm
    60: (1, 1.247, 0.4998),  # Mach 1.07, fold 45 mm
    61: (2, 1.737, 0.4584),  # Mach 1.18, fold 11 mm
    62: (0, 1.471, 0.4664),  # Mach 1.41, fold 28 mm
    63: (1, 1.336, 0.5502),  # Mach 1.41, fold 17 mm
    64: (1, 1.5, 0.6276),  # Mach 1.67, fold 17 mm
    65: (0, 0.824, 1.0450),  # Mach 1.22, fold 17 mm
    66: (0, 1.039, 0.9240),  # Mach 1.10, fold 12 mm
    67: (0, 1.031, 0.6040),  # Mach 1.01, fold 12 mm
    68: (1, 0.894, 0.7890),  # Mach 0.97, fold 23 mm
    69: (1, 1.066, 0.5348),  # Mach 0.93, fold 54 mm
    70: (0, 1.992, 0.4684),  # Mach 1.25, fold 15 mm
    71: (1, 1.414, 0.5006),  # Mach 1.33, fold 29 mm
    72: (0, 1.219, 0.5272),  # Mach 1.33, fold 10 mm
    73: (2, 1.284, 0.4618),  # Mach 1.50, fold 32 mm
    74: (0, 1, 0.6340),  # Mach 1.12, fold 18 mm
    75: (2, 1, 0.5226),  # Mach 1.18, fold 15 mm
    76: (0, 1.46, 0.4582),  # Mach 0.98, fold 16 mm
    77: (3, 2.055, 0.4948),  # Mach 1.42, fold 15 mm
    78: (0, 1.445, 0.4638),  # Mach 1.46, fold 22 mm
    79: (0, 1.247, 0.4290),  # Mach 1.01, fold 17 mm
}
"""Seed -> attempt, tempo, time of the peak [s]."""


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
    return search(make, SoughtPeak(aim), TRIES, spacing, f"seed {seed}")


class SoughtPeak(NamedTuple):
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
    make: Callable[..., ThrowScene], sought: SoughtPeak, tries: int, spacing: Spacing, name: str
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
