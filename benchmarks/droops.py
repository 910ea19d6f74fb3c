"""Droop tests of a twin's line, as an experimenter would make them before cutting it no further."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.mechanics.stiffness_sources import droop_curve
from lashwave.quantities.constants import STANDARD_GRAVITY
from lashwave.quantities.line import Droop, Line
from lashwave.quantities.trial import Trial
from lashwave.twin.truth import Truth, stiffness_over

PLACES = {1: (0.5,), 2: (0.15, 0.85), 3: (0.15, 0.5, 0.85)}
"""Where the pieces are, as shares of the flexible line, by how many there are."""
WEIGHT = 4.0
"""q = w L^3 / B of a good test: it droops by 0.43 of the overhang."""
SHORTEST, LONGEST = 0.03, 0.25
"""Overhangs [m] that one can clamp and read."""
READING = 1e-3
"""Standard deviation of a drop [m]."""


def drooped(true: Line, stated: Line, count: int, rng: np.random.Generator) -> Line:
    """The stated line without its stiffness column, with tests of the true one in its place."""
    assert true.bending_stiffness is not None
    tests = []
    for share in PLACES[count]:
        station = true.handle_length + share * (true.length - true.handle_length)
        stiff = float(np.interp(station, true.station, true.bending_stiffness))
        weight = STANDARD_GRAVITY * float(np.interp(station, true.station, true.linear_density))
        overhang = float(np.clip((WEIGHT * stiff / weight) ** (1 / 3), SHORTEST, LONGEST))
        drop = overhang * droop_curve(weight * overhang**3 / stiff)[0]
        read = float(np.clip(drop + READING * rng.normal(), 0.05 * overhang, 0.9 * overhang))
        tests.append(Droop(round(station, 3), round(overhang, 4), read, None, READING))
    kept = {name: sd for name, sd in stated.column_sd.items() if name != "bending_stiffness"}
    return replace(stated, bending_stiffness=None, column_sd=kept, droops=tuple(tests))


def with_droops(trial: Trial, truth: Truth, count: int) -> tuple[Trial, Truth]:
    """A twin trial whose line has droop tests only, and the scale that is true of it."""
    scene = truth.scene
    rng = np.random.default_rng([scene.seed, 11, count])
    line = drooped(scene.lash.true, trial.line, count, rng)
    scale = scene.law.stiffness_scale * stiffness_over(scene.lash.true, line)
    return replace(trial, line=line), replace(
        truth, answers=truth.answers | {"stiffness_scale": scale}
    )
