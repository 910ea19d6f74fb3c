"""What a trial would tell of a motion that is expected, without a fit.

The equations of the fit are formed where the fit would end, at the expected motion, and factored
once: the posterior is Gaussian about it, and its draws are those of `posterior`. Left out is that a
search may end elsewhere, and that a real motion is not the expected one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.joint import LADDER, Joint, final, held, regridded
from lashwave.estimate.noise import spread
from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, from_nodes, with_shares
from lashwave.estimate.posterior import draws_of
from lashwave.estimate.setup import FitSetup, set_up
from lashwave.estimate.sighting_rows import full_weights
from lashwave.quantities import Array, Draws, Trial

Places = Callable[[Array, Array], Array]
"""Places (K, S, 3) [m] of a motion at times (K,) [s] and stations (S,) [m]."""
COARSE = 0.25e-3
"""Step at which the expected motion is looked at before the grid is set [s]."""


def foreseen(trial: Trial, places: Places, options: Options | None = None) -> Draws:
    """Draws of the posterior that a trial with these sightings would have.

    Parameters
    ----------
    trial : its sightings say when, of what and how well; where they lie hardly matters.
    places : the expected motion, which the line's stated length and grip must fit.

    Raises
    ------
    NotConvergedError : the sightings would not hold the motion.
    """
    setup = held(set_up(trial, options or Options()))
    times = trial.markers.time
    path = _on(setup, places, np.arange(times[0], times[-1], COARSE))
    path = _on(setup, places, regridded(setup, path).time)
    density = LADDER[-1] * spread(setup, path)
    path = with_shares(setup, path, density)
    anchor, weights = shape_prior(setup, path), full_weights(setup)
    normal, factor = final(setup, path, density, weights, anchor)
    joint = Joint(
        path, density, weights, anchor, normal.axes, normal.seen, factor, (), True, 1.0
    )  # fmt: skip
    return draws_of(setup, joint, factor)


def _on(setup: FitSetup, places: Places, times: Array) -> Path:
    """The expected motion on a grid (K,) [s], as a path of the estimator."""
    node = places(times, setup.chain.station)
    path = from_nodes(setup, times, node, setup.shared.mean.copy())
    return replace(path, base=node[:, 0].copy())
