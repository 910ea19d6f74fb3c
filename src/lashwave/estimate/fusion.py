"""The fusion: a trial in, the whole motion with uncertainty out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from lashwave.estimate.diagnosis import residuals_of, warnings_of
from lashwave.estimate.joint import Joint, joint_fit
from lashwave.estimate.jumps import without_jumps
from lashwave.estimate.options import Options
from lashwave.estimate.posterior import draws_of, field_of
from lashwave.estimate.setup import Setup, set_up
from lashwave.estimate.sweep import sweep
from lashwave.estimate.withheld import withheld_of
from lashwave.quantities.fit import Fit
from lashwave.quantities.trial import Trial

Progress = Callable[[str, float], None]


def _silent(_stage: str, _share: float) -> None:
    return None


def solved(
    trial: Trial, options: Options | None = None, progress: Progress | None = None
) -> tuple[Setup, Joint]:
    """The most probable motion in the solver's own unknowns; raises as `estimate` does."""
    tell = progress or _silent
    setup = set_up(trial, options or Options())
    smooth, jumps = without_jumps(trial)
    path, weights = sweep(replace(setup, trial=smooth), lambda f: tell("forward sweep", 0.3 * f))
    weights.marker[jumps] = 0.0
    return setup, joint_fit(setup, path, weights, tell)


def estimate(trial: Trial, options: Options | None = None, progress: Progress | None = None) -> Fit:
    """Join all sightings of a trial, through the mechanics, into one motion.

    Parameters
    ----------
    progress : told the stage in words and the share done, 0 to 1.

    Raises
    ------
    NotConvergedError : where no motion could be found that can be believed.
    """
    tell = progress or _silent
    setup, joint = solved(trial, options, tell)
    tell("posterior", 0.9)
    draws = draws_of(setup, joint, joint.factor)
    tell("motion", 0.97)
    field = field_of(setup, joint, draws)
    shared = {
        name: (float(np.median(values)), float(values.std(ddof=1)))
        for name, values in draws.shared.items()
    }
    return Fit(
        time=joint.path.time,
        station=field.station,
        position=field.position,
        position_sd=field.position_sd,
        velocity=field.velocity,
        velocity_sd=field.velocity_sd,
        acceleration=field.acceleration,
        curvature=field.curvature,
        tension=field.tension,
        tension_sd=field.tension_sd,
        draws=draws,
        residuals=residuals_of(setup, joint),
        shared=shared,
        warnings=warnings_of(setup, joint),
        withheld=withheld_of(setup, joint),
        history=joint.history,
    )
