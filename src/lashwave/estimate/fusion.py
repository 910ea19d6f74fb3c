"""The fusion: a trial in, the whole motion with uncertainty out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from lashwave.estimate.diagnosis import (
    IMPLAUSIBLE,
    against_of,
    energy_share,
    fall_of,
    hint_of,
    implausibility,
    left_of,
    residuals_of,
    warnings_of,
)
from lashwave.estimate.forbidden import (
    energy_warnings,
    holding_until,
    row_warnings,
    work_warnings,
)
from lashwave.estimate.joint import Joint, joint_fit
from lashwave.estimate.marker_tracks import without_jumps
from lashwave.estimate.options import Options
from lashwave.estimate.other_motions import drawn, starts_of, weighed
from lashwave.estimate.path import Path
from lashwave.estimate.posterior import field_of
from lashwave.estimate.setup import FitSetup, set_up, standing_off
from lashwave.estimate.sweep import BOLD, WARY, SweepEnd, sweep
from lashwave.estimate.withheld import withheld_of
from lashwave.mechanics import both
from lashwave.quantities import Fit, Mask, NotConvergedError, Trial

Progress = Callable[[str, float], None]


def _silent(_stage: str, _share: float) -> None:
    return None


def _stage_progress(tell: Progress, stage: str, share: float) -> None:
    tell(stage, 0.3 * share)


def solved(
    trial: Trial,
    options: Options | None = None,
    progress: Progress | None = None,
    left: list[tuple[FitSetup, Path]] | None = None,
) -> tuple[FitSetup, Joint]:
    """The most probable motion in the solver's own unknowns, from the forward sweep.

    Where that fit is doubtful, or fails, it is sought from a more wary sweep with shorter links
    too; the less doubtful one is taken, and `left` gets the other.

    Raises
    ------
    NotConvergedError : where both fail, of the second.
    """
    tell = progress or _silent
    setup = set_up(trial, options or Options())
    smooth, jumps = without_jumps(trial)
    return sought(setup, smooth, jumps, tell, again=finer, left=left)


FINER = 1.25
"""Links of the second search over those of the first. A line that falls back on the hand folds more
tightly than the links next to the grip can follow, by 2 to 3 rad between two of them."""


def finer(setup: FitSetup) -> FitSetup:
    """The problem with a line cut into shorter links."""
    o = setup.options
    links = round(FINER * o.most_links)
    return set_up(setup.trial, replace(o, most_links=links, spacing_butt=o.spacing_butt / FINER))


def sought(
    setup: FitSetup,
    smooth: Trial,
    jumps: Mask,
    tell: Progress,
    front: SweepEnd | None = None,
    again: Callable[[FitSetup], FitSetup] | None = None,
    left: list[tuple[FitSetup, Path]] | None = None,
) -> tuple[FitSetup, Joint]:
    """The more believable of two searches, the second only where the first is doubtful.

    With the problem as it is then, markers' arms among its unknowns where they stand off.

    smooth : the trial without samples that jump; jumps : (T, L), no unit, which these are.
    front : where the search goes on; None where the record begins.
    again : makes the problem of the second search; None for the same. All windows of a record must
        have the same links.
    left : gets the end of the other search, where both came to one.

    Raises
    ------
    NotConvergedError : where both fail, of the second.
    """
    before = None if front is None else front.anchor
    best: tuple[FitSetup, Joint, float] | None = None
    for stride, stage in ((BOLD, "forward sweep"), (WARY, "second forward sweep")):
        own = again(setup) if again and stride is WARY else setup
        start = replace(own, trial=smooth, hand_jerk=np.inf)
        try:
            path, weights = sweep(start, partial(_stage_progress, tell, stage), stride, front)
            weights.marker[jumps] = 0.0
            joint = joint_fit(own, path, weights, tell, before)
        except NotConvergedError:
            if stride is WARY and best is None:
                raise
            continue
        found = standing_off(own, joint.stand_off)
        doubt = implausibility(found, joint)
        mine = found, joint, doubt
        best, other = (mine, best) if best is None or doubt < best[2] else (best, mine)
        if left is not None and other is not None:
            left.append((other[0], other[1].path))
        if best[2] <= IMPLAUSIBLE:
            break
    assert best is not None  # the last of the strides has raised
    return best[:2]


def estimate(trial: Trial, options: Options | None = None, progress: Progress | None = None) -> Fit:
    """Join all sightings of a trial, through the mechanics, into one motion.

    Parameters
    ----------
    progress : called with the stage in words and the share done, 0 to 1.

    Raises
    ------
    NotConvergedError : where no motion could be found that can be believed.
    """
    tell = progress or _silent
    left: list[tuple[FitSetup, Path]] = []
    setup, joint = solved(trial, options, tell, left)
    motions = weighed(setup, joint, starts_of(setup, joint, left), tell)
    joint = motions.joints[0]
    said, hint = warnings_of(setup, joint), hint_of(setup, joint)
    markers = trial.markers
    rows = against_of(joint)
    said += row_warnings(markers.time, rows, markers.labels, left_of(setup, rows))
    time = joint.path.time
    said += energy_warnings(time, energy_share(setup, joint), hint)
    tell("posterior", 0.9)
    draws, of_draw = drawn(setup, motions)
    told = motions.told(of_draw)
    said += (told.said(),) if told else ()
    spent = (draws.hand_power, draws.kinetic_energy, fall_of(setup))
    said += work_warnings(time, *spent, hint)
    tell("motion", 0.97)
    field, withheld = both(lambda: field_of(setup, joint, draws), lambda: withheld_of(setup, joint))
    shared = {
        name: (float(np.median(values)), float(values.std(ddof=1)))
        for name, values in draws.shared.items()
    }
    return Fit(
        time=time,
        station=field.station,
        position=field.position,
        position_sd=field.position_sd,
        velocity=field.velocity,
        velocity_sd=field.velocity_sd,
        acceleration=field.acceleration,
        curvature=field.curvature,
        curvature_sd=field.curvature_sd,
        tension=field.tension,
        tension_sd=field.tension_sd,
        draws=draws,
        residuals=residuals_of(setup, joint),
        shared=shared,
        warnings=said,
        withheld=withheld,
        history=joint.history,
        stand_off=setup.trial.markers.stand_off,
        until=holding_until(time, *spent),
        motions=told,
    )
