"""What the most probable path leaves out of the law's scales: how many paths stand behind them.

The path and the law are sought together, and the most probable pair favours a law under which
many paths are nearly as good: a fitted path is never free of jitter, and a law that ignores jitter
(little damping, more stiffness to make up for it) then looks better than it is. Integrating the
path out adds log det H - log det A to the cost, H being the normal equations of the path and A the
dynamics as a map from one time to the next (the normalisation of the motion's density). Only its
slope is used, as a force on the scales (Laplace's approximation of the marginal likelihood, after
Tierney and Kadane 1986).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.path import Path
from lashwave.estimate.setup import Setup
from lashwave.estimate.sightings import Weights
from lashwave.mechanics.estim_band import forward_log_determinant

Array = NDArray[np.float64]
PUSHED = ("stiffness_scale", "damping_time")
"""Scales that the term moves; drag's moves by a tenth of its standard deviation."""
STEP = 0.1
"""Of the differences, in the logarithm."""


def crowd(setup: Setup, path: Path, density: Array, weights: Weights, anchor: Anchor) -> float:
    """log det H - log det A at a path and its law."""
    normal = eq.build(setup, path, density, weights, anchor)
    factor = eq.factor(normal, 1e-9, hold_shared=True)
    forward = forward_log_determinant(
        path.node, path.direction, path.axes, path.reach(setup), path.chord, path.time,
        setup.kernel_chain, setup.air, setup.law(path.shared), setup.gravity, density,
        setup.node_mass, setup.driven, setup.options.hand_density, setup.first_link,
        setup.last_link,
    )  # fmt: skip
    return float(2.0 * np.log(factor.band[0]).sum() - forward)


def push(setup: Setup, path: Path, density: Array, weights: Weights, anchor: Anchor) -> Array:
    """(Q,) slope of the term by the shared parameters, at a path."""
    slope = np.zeros(path.shared.size)
    base = crowd(setup, path, density, weights, anchor)
    for name in PUSHED:
        shared = path.shared.copy()
        shared[setup.shared.index(name)] += STEP
        other = crowd(setup, replace(path, shared=shared), density, weights, anchor)
        slope[setup.shared.index(name)] = (other - base) / STEP
    return slope


def pushed(setup: Setup, slope: Array) -> Setup:
    """The problem with a term slope . theta in its cost."""
    return replace(setup, shared=replace(setup.shared, slope=slope))
