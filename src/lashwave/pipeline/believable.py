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
from lashwave.quantities import Fit, LostMotionError, NotConvergedError, Trial

BEFORE = 0.01
"""What is wrong has begun this long before physics forbids it, or longer [s]."""
LEAST = 0.5
"""Share of the record that must be left."""
CUTS = 3


def up_to(trial: Trial, end: float) -> Trial:
    """The trial without what was seen after a time [s], lab clock."""
    from lashwave.estimate import cut_trial, may_fall_within, rows_within

    time = trial.markers.time
    points = {
        c.name: may_fall_within(c, np.array([c.clock.offset, c.clock.offset_sd]), -np.inf, end)
        for c in trial.cameras
    }
    short = cut_trial(trial, rows_within(time, float(time[0]), end), points)
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


def believable(trial: Trial, options: Any, progress: Progress) -> tuple[Trial, Fit]:
    """The motion as far as it can be believed, and the trial up to there.

    options : `lashwave.estimate.Options`. Raises as `as_far_as_believed` does.
    """
    from lashwave.estimate import estimate

    def fitted(short: Trial) -> Fit:
        return estimate(short, options, progress)

    short, fit, said = as_far_as_believed(trial, fitted, progress)
    return short, replace(fit, warnings=(*said, *fit.warnings))


def _said(short: Trial, lost: NotConvergedError) -> str:
    """Where the motion ends, and why."""
    return (
        f"the motion ends at {short.markers.time[-1]:.3f} s, before the record does: {lost}; "
        "every answer is of the time before"
    )
