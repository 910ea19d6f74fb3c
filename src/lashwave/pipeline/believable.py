"""A record whose end cannot be believed is taken up to there.

After a crack a line may fall back on the hand, with its markers lost and in loops too tight for the
chain's links. The search then ends in a motion that physics forbids, and says from when on. What
came before, the crack above all, is seen as well as ever.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from lashwave.pipeline.console import Progress
from lashwave.quantities import Fit, LostMotionError, Mask, NotConvergedError, Trial

BEFORE = 0.01
"""What is wrong has begun this long before physics forbids it, or longer [s]."""
LEAST = 0.5
"""Share of the record that must be left."""
CUTS = 3


def _seen_by(trial: Trial, end: float) -> tuple[slice, dict[str, Mask]]:
    """Marker samples, and which of each camera's points (P,), up to a time [s]."""
    from lashwave.estimate import may_fall_within, rows_within

    time = trial.markers.time
    points = {
        c.name: may_fall_within(c, np.array([c.clock.offset, c.clock.offset_sd]), -np.inf, end)
        for c in trial.cameras
    }
    return rows_within(time, float(time[0]), end), points


def up_to(trial: Trial, end: float) -> Trial:
    """The trial without what was seen after a time [s], lab clock."""
    from lashwave.estimate import cut_trial

    time = trial.markers.time
    short = cut_trial(trial, *_seen_by(trial, end))
    # which flash is which sample is told by all of them
    cameras = tuple(
        replace(c, flash_times=c.strobe(time)) if c.flashes.size else c for c in short.cameras
    )
    return replace(short, cameras=cameras)


Found = TypeVar("Found")


def as_far_as_believed(
    trial: Trial, found: Callable[[Trial], Found], progress: Progress
) -> tuple[Trial, Found, tuple[str, ...]]:
    """The trial as far as its motion can be believed, what was found of it, and where it ends.

    found : what is to be found of a trial; raises LostMotionError where it cannot be believed.

    Raises
    ------
    NotConvergedError : where less than `LEAST` of the record would be left, or no motion is found;
        always as it was of the whole record.
    """
    first: NotConvergedError | None = None
    begin, end = trial.markers.time[[0, -1]]
    short = trial
    for _ in range(CUTS):
        try:
            done = found(short)
        except LostMotionError as lost:
            first = first or lost.with_traceback(None)  # it would hold what was found in memory
            until = lost.since - BEFORE
            if until - begin < LEAST * (end - begin):
                raise first from None
            progress(f"again, up to {until:.3f} s", 0.0)
            short = up_to(trial, until)
        except NotConvergedError:
            if first is not None:
                raise first from None
            raise
        else:
            return short, done, () if first is None else (_said(short, first),)
    assert first is not None  # the last cut has failed as well
    raise first


def ended(trial: Trial, fit: Fit, until: float) -> tuple[Trial, Fit]:
    """Trial and motion without their times from `until` [s] on; the motion stays as all told it."""
    count = int(np.searchsorted(fit.time, until))
    draws, left = fit.draws, fit.residuals
    rows, points = _seen_by(trial, float(fit.time[count - 1]))
    early = {name: getattr(draws, name)[:, :count] for name in OF_TIME_DRAWN}
    seen = replace(
        left,
        marker=left.marker[rows],
        marker_weight=left.marker_weight[rows],
        camera={name: r[points[name]] for name, r in left.camera.items()},
        camera_weight={name: w[points[name]] for name, w in left.camera_weight.items()},
    )
    cut = {name: v[:count] for name in OF_TIME if (v := getattr(fit, name)) is not None}
    short = replace(
        fit, **cut, draws=replace(draws, time=draws.time[:count], **early), residuals=seen,
        until=np.inf,
    )  # fmt: skip
    return up_to(trial, float(fit.time[count - 1])), short


OF_TIME = (
    "time", "position", "position_sd", "velocity", "velocity_sd", "acceleration", "curvature",
    "curvature_sd", "tension", "tension_sd",
)  # fmt: skip
OF_TIME_DRAWN = (
    "position", "velocity", "tension", "hand_force", "hand_power", "kinetic_energy",
)  # fmt: skip
"""What a fit and its draws have for each time."""


def believable(trial: Trial, options: Any, progress: Progress) -> tuple[Trial, Fit]:
    """The motion as far as it can be believed, and the trial up to there.

    options : `lashwave.estimate.Options`. Raises as `as_far_as_believed` does.
    """
    from lashwave.estimate import estimate

    def fitted(short: Trial) -> Fit:
        return estimate(short, options, progress)

    short, fit, said = as_far_as_believed(trial, fitted, progress)
    begin, end = trial.markers.time[[0, -1]]
    if begin + LEAST * (end - begin) <= fit.until < np.inf:
        short, fit = ended(short, fit, fit.until)
        last = (
            f"the motion ends at {fit.time[-1]:.4f} s: in the last moments of the record most "
            "draws hold more energy than the hand gave"
        )
        said = (*said, last)
    return short, replace(fit, warnings=(*said, *fit.warnings))


def _said(short: Trial, lost: NotConvergedError) -> str:
    """Where the motion ends, and why."""
    return (
        f"the motion ends at {short.markers.time[-1]:.3f} s, before the record does: {lost}; "
        "every answer is of the time before"
    )
