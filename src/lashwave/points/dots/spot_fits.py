"""Shapes of bright spots, fitted by least squares to many small cutouts at once.

Three shapes: elliptical dot, streak, and a pair of dots. Light is sampled at pixel centres; that a
pixel gathers over its area widens the dot by a variance of 1/12 px2, to better than 0.1 % of the
peak where the standard width is over 0.7 px ("well sampled").

Levenberg's damped Gauss-Newton step (Marquardt, J. Soc. Ind. Appl. Math. 11, 1963, 431), each
cutout with its own damping, compiled (`spot_shapes`). scipy's `least_squares` and `curve_fit` do
one cutout a call, at about a millisecond each: too slow for video by far. Weights are the inverse
noise variance at the fitted level, renewed at each step (quasi-likelihood), so that photon noise is
weighed too.

A spot that is round but no Gaussian (a disc, a halo) leaves a residual that is even about its
centre and moves the centre nowhere. What is odd, moves it: noise, a neighbour, coma. So a fit's
deviation is widened by the odd part of its residual alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.points.dots.dot_settings import DOTS, DotSettings
from lashwave.points.dots.spot_shapes import fit_each, odd_parts
from lashwave.quantities import Array, Mask

SYMMETRIC = 4
"""Of an ellipse fit's 7 parameters, about so many are taken from a cutout's odd half: the two of
the centre, and the half counts double."""


def antisymmetric_ratio(
    rest: Array, used: Mask, centre: Array, half: int, variance: Array | float
) -> Array:
    """Noise seen over noise stated (D,), a ratio of variances [1], by the odd part alone."""
    square, known = odd_parts(rest, used, centre, half)
    count = known.sum(axis=1)
    seen = np.where(known, square / variance, 0.0).sum(axis=1)
    return np.asarray(seen / np.maximum(count - SYMMETRIC, 1))


@dataclass(frozen=True)
class SpotFits:
    """D cutouts fitted."""

    values: Array
    """(D, P)"""
    covariance: Array
    """(D, P, P), for the stated noise."""
    chi2: Array
    """(D,)"""
    freedom: Array
    """(D,) pixels used less parameters."""
    widening: Array
    """(D,) factor on the covariance for what the model does not fit: 1 where the residual is
    within chance, else the variance of its odd part over the stated one, at least 1."""
    rest: Array
    """(D, N) data less fit [grey levels]; 0 where a pixel was left out."""


def fit_spots(
    shape: int,
    start: Array,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    sd: float,
    gain: float,
    steps: int = 8,
    settings: DotSettings = DOTS,
) -> SpotFits:
    """Fit one of the `spot_shapes`; its centre is parameters 1 and 2, its background the last.

    Parameters
    ----------
    shape : its number; start : (D, P); grid : (2, N) [px].
    data : (D, N) [grey levels]; used : (D, N).
    sd : [grey levels] additive noise of a pixel; gain : [grey levels] an electron.
    """
    p, normal, covariance, rest, variance, chi2 = fit_each(
        shape, start, grid, data, used, (float(sd), float(gain)), steps
    )
    for d in np.flatnonzero(~np.isfinite(covariance[:, 0, 0])):
        covariance[d] = np.linalg.inv(normal[d])  # not positive definite by rounding
    freedom = np.maximum(used.sum(axis=1) - p.shape[1], 1)
    widening = np.ones(len(p))
    poor = np.flatnonzero(chi2 / freedom > 1.0 + settings.chance * np.sqrt(2.0 / freedom))
    if poor.size:
        half = (int(np.sqrt(grid.shape[1])) - 1) // 2
        ratio = antisymmetric_ratio(rest[poor], used[poor], p[poor, 1:3], half, variance[poor])
        widening[poor] = np.maximum(ratio, 1.0)
    return SpotFits(p, covariance, chi2, freedom, widening, rest)
