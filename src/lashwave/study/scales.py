"""One trial's likelihood of its law's scales, computed on a cross, and what is known of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from lashwave.estimate import (
    DAMPINGS,
    LAW_NAMES,
    STIFFNESS_LOG_SD,
    Evidence,
    FitSetup,
    Options,
    State,
    as_arrays,
    from_arrays,
    set_up,
    solved,
    standing_off,
)
from lashwave.mechanics import droop_stiffness, known_stiffness
from lashwave.quantities import Array, Line, NotConvergedError, Source, Trial
from lashwave.study.likelihood import Cross
from lashwave.study.parameters import Known

ShareProgress = Callable[[float], None]
Get = Callable[[str], dict[str, Any] | None]
Put = Callable[[str, dict[str, Any]], None]
FITTED = 0.65
"""Share of the whole that the fit takes."""

MODEL_SD = {
    "drag_normal": 0.012,
    "drag_tangential": 0.2,
    "drag_tuft": 0.2,
    "stiffness_scale": 0.08,
    "damping_time": 0.4,
}
"""Standard deviation, logarithmic, of a true scale about the one that the chain would take for it
...
"""
SCATTER = {"drag_tangential": 3.0, "stiffness_scale": 5.0, "damping_time": 4.0}
"""... and how many of the sightings' own standard deviations come to it. Both were read off six
throws and two swings of the twin (seeds under 40): where a fold is hardly resolved, stiffness and
damping by the likelihood alone are off by up to ten of its deviations, drag across the line by two
or so. Friction along the line moves a misfit by no more than the few units to which one step of the
path settles it."""
ABSORBING = ("stiffness_scale", "damping_time")
"""Scales that what the path absorbs depends on: of the others it moves by a tenth of a sighting."""
REACH = 1.5
"""Of a cross: deviations (data and own error) from the centre to the first point of an arm ..."""
OF_PRIOR = {"drag_tangential": 1.0}
"""... but no more than this share of the prior's, 0.5 where none is named: one step of the path
does not follow a scale that shapes folds much farther. The second point lies twice as far."""


def names_of(line: Line) -> tuple[str, ...]:
    """The scales that a line has."""
    tuft = line.tuft is not None and line.tuft.area > 0
    return tuple(name for name in LAW_NAMES if tuft or name != "drag_tuft")


def cross_of(setup: FitSetup, state: State, progress: ShareProgress) -> Cross:
    """-2 log likelihood of a trial's scales, `misfit + absorbed`; raises NotConvergedError."""
    for damping in DAMPINGS[:-1]:
        try:
            return _damped_cross(setup, state, damping, progress)
        except NotConvergedError:
            continue
    return _damped_cross(setup, state, DAMPINGS[-1], progress)


def _damped_cross(setup: FitSetup, state: State, damping: float, progress: ShareProgress) -> Cross:
    evidence = Evidence(setup, state, damping)
    names = names_of(setup.trial.line)
    columns = [LAW_NAMES.index(name) for name in names]
    shifts, values = [], []
    for done, (name, column) in enumerate(zip(names, columns, strict=True)):
        progress((done + 0.5) / (len(names) + 0.5))
        own = max(float(evidence.information[column, column]), 1e-9)
        scatter = np.hypot(1.0, SCATTER.get(name, 0.0))
        arm = REACH * float(np.hypot(scatter * own**-0.5, MODEL_SD[name]))
        arm = min(arm, OF_PRIOR.get(name, 0.5) * float(setup.shared.sd[column]))
        shift = arm * np.array([-2.0, -1.0, 1.0, 2.0])
        shifts.append(shift)
        values.append(_arm(evidence, column, shift, name in ABSORBING))
    return Cross(
        names, evidence.scales[columns], evidence.information[np.ix_(columns, columns)],
        tuple(shifts), tuple(values),
    )  # fmt: skip


def _arm(evidence: Evidence, column: int, shift: Array, absorbing: bool) -> Array:
    """Along one axis; what is absorbed is smooth, so a parabola through three points gives it."""
    misfit, taken = np.empty(shift.size), np.zeros(shift.size)
    for i, one in enumerate(shift):
        ask = np.zeros(len(LAW_NAMES))
        ask[column] = one
        terms = evidence.at(ask, absorbed=absorbing and i in (1, 2))
        misfit[i], taken[i] = terms.misfit - evidence.terms.misfit, terms.absorbed
    if absorbing:
        here = evidence.terms.absorbed
        known = np.array([taken[1] - here, taken[2] - here])
        basis = np.stack([shift[1:3], shift[1:3] ** 2], axis=1)
        misfit += np.stack([shift, shift**2], axis=1) @ np.linalg.solve(basis, known)
    return misfit


def likelihood_of(trial: Trial, get: Get, put: Put, progress: ShareProgress) -> Cross:
    """A trial's cross, from what was kept of it as far as that goes; raises NotConvergedError.

    get, put : kept arrays by a word, "state" (where the fit ended) and "cross"; None where absent.
    """
    cross = _cross_from(trial.line, get("cross"))
    if cross is not None:
        return cross
    options = Options()
    setup = set_up(trial, options)
    arrays = get("state")
    if arrays is not None:
        setup = standing_off(setup, float(arrays.get("stand_off", 0.0)))
    state = None if arrays is None else from_arrays(setup, arrays)
    if state is None:
        setup, joint = solved(trial, options, lambda _, share: progress(FITTED * share))
        state = State(joint.path, joint.density, joint.weights, joint.anchor)
        put("state", as_arrays(state) | {"stand_off": np.array(joint.stand_off)})
    cross = cross_of(setup, state, lambda share: progress(FITTED + (1.0 - FITTED) * share))
    put("cross", {
        "names": np.array(cross.names),
        "centre": cross.centre,
        "information": cross.information,
        "shift": np.array(cross.shift),
        "value": np.array(cross.value),
    })  # fmt: skip
    return cross


def _cross_from(line: Line, kept: dict[str, Any] | None) -> Cross | None:
    if kept is None or not {"names", "centre", "information", "shift", "value"} <= kept.keys():
        return None
    names = tuple(str(name) for name in kept["names"])
    if names != names_of(line):
        return None
    return Cross(
        names, kept["centre"], kept["information"], tuple(kept["shift"]), tuple(kept["value"])
    )


def known_of(trial: Trial) -> Known:
    """Prior of a line's scales, its static tests counted, and the chain's own error."""
    setup = set_up(trial, Options())
    names = names_of(trial.line)
    columns = [LAW_NAMES.index(name) for name in names]
    mean, sd = setup.shared.mean[columns].copy(), setup.shared.sd[columns].copy()
    at = names.index("stiffness_scale")
    mean[at], sd[at] = static_stiffness(trial.line)
    model_sd = np.array([MODEL_SD[name] for name in names])
    return Known(mean, sd, model_sd, np.array([SCATTER.get(name, 0.0) for name in names]))


def static_stiffness(line: Line) -> tuple[float, float]:
    """Log of true over stated bending stiffness by what was measured at rest, mean and sd.

    The table (as one error along the line) and each droop test are weighed by their variances. A
    test that the stated stiffness itself was made from is not counted again. That the moving line
    may differ from the resting one is added at the end.
    """
    stated = known_stiffness(line)
    means, variances = [0.0], [stated.log_sd**2]
    if stated.source is Source.COLUMN:
        for droop in line.droops:
            found, sd = droop_stiffness(line, droop)
            there = float(np.interp(droop.station, line.station, stated.value))
            means.append(float(np.log(found / there)))
            variances.append(sd**2)
    weight = 1.0 / np.array(variances)
    mean = float(weight @ np.array(means) / weight.sum())
    return mean, float(np.hypot(weight.sum() ** -0.5, STIFFNESS_LOG_SD))
