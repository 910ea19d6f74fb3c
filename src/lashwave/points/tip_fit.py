"""The tip to a fraction of a pixel: a dark, round-ended bar fitted to the picture around it.

The bar is every point within half the line's width of its axis, which ends at the tip and may
bend (a parabola over the dozen pixels that are used); the lens and the pixel blur it by a
Gaussian, the exposure by a straight stroke. Its darkness is exact for that picture, up to the
quadrature. Least squares with the pixels' own noise: the covariance is then the Fisher bound,
widened where the picture does not fit (Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory, 1993, ch. 3). A line cut square instead of round would be placed 0.8 of its
half width too far in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

Array = NDArray[np.float64]

BEHIND, AHEAD, ASIDE = 16.0, 8.0, 5.0
"""Of the tip, how far the fit looks [px]; aside counts from the line's edge."""
LENS, LENS_SD = 0.8, 0.3
"""What is expected of the blur: between a pixel's own 0.3 and a soft lens [px]."""
DEPTH_SD, LEVEL_SD, BEND_SD = 0.15, 0.05, 0.03
"""Of the depth about its neighbourhood's, of the background's level [share], of 1/radius [1/px]."""
WIDEST, NARROWEST = 16.0, 0.7
"""Lines that are believed [px]."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_STROKE = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True)
class TipFit:
    """The end of the line in one frame."""

    uv: Array
    """(2,) [px] end of the axis, at the middle of the exposure."""
    covariance: Array
    """(2, 2) [px2]"""
    direction: Array
    """(2,) unit vector along the line, outward."""
    width: float
    """[px]"""
    depth: float
    """Share of light that the line takes."""
    misfit: float
    """Chi-square of the picture over its degrees of freedom."""

    @property
    def sd(self) -> float:
        """Of one coordinate, both taken alike [px]."""
        return float(np.sqrt(0.5 * np.trace(self.covariance)))


def bar(along: Array, across: Array, width: float, blur: float) -> Array:
    """Darkness of a round-ended, opaque bar blurred by a Gaussian.

    Parameters
    ----------
    along, across : (P,) [px] from the end of the axis, outward positive.
    width, blur : [px], blur a standard deviation.
    """
    half = 0.5 * width
    if half < 3.0 * blur:
        nodes, weights = _NODES, _WEIGHTS
    else:  # nodes must lie closer than the blur
        nodes, weights = np.polynomial.legendre.leggauss(8 + 4 * int(half / blur))
    off = (across[:, None] - half * nodes) / blur
    slab = np.exp(-0.5 * off * off) * (half * weights / (blur * np.sqrt(2.0 * np.pi)))
    edge = half * np.sqrt(1.0 - nodes * nodes)
    return np.asarray((slab * ndtr((edge - along[:, None]) / blur)).sum(axis=1))


def _model(p: Array, places: Array, stroke: Array) -> Array:
    """Darkness at places (P, 2); p = tip u, v, angle, bend, log width, log blur, depth, level."""
    cos, sin = np.cos(p[2]), np.sin(p[2])
    width, blur = np.exp(p[4]), np.exp(p[5])
    u, v = places[:, 0] - p[0], places[:, 1] - p[1]
    moments = _STROKE if np.hypot(*stroke) > 0.3 else (np.zeros(1), np.full(1, 2.0))
    total = np.zeros(len(places))
    for node, weight in zip(*moments):
        du, dv = u - 0.5 * node * stroke[0], v - 0.5 * node * stroke[1]
        along, across = cos * du + sin * dv, cos * dv - sin * du
        across = across - 0.5 * p[3] * np.square(np.minimum(along, 0.0))
        total += 0.5 * weight * bar(along, across, width, blur)
    return np.asarray(p[6] * total + p[7])


def fit_tip(
    dark: NDArray,
    noise: NDArray,
    corner: tuple[int, int],
    start: Array,
    direction: Array,
    width: float,
    depth: float,
    stroke: Array,
) -> TipFit | None:
    """Fit the bar to a picture of relative darkness around its end.

    Parameters
    ----------
    dark, noise : (h, w) darkness and its standard deviation; inf noise where nothing is known.
    corner : u, v of their first pixel.
    start, direction : (2,) [px] rough tip, and the way outward.
    width, depth : rough width [px] and depth [share].
    stroke : (2,) [px] the tip's way during the exposure.

    Returns
    -------
    The fit, or None where it does not describe a line's end.
    """
    rows, columns = np.mgrid[: dark.shape[0], : dark.shape[1]]
    places = np.column_stack([columns.ravel(), rows.ravel()]) + np.asarray(corner, dtype=float)
    away = places - start
    along = away @ direction
    across = away @ np.array([-direction[1], direction[0]])
    smear = 0.5 * np.abs(stroke @ np.array([-direction[1], direction[0]]))
    used = (along > -BEHIND) & (along < AHEAD + 0.5 * np.hypot(*stroke))
    used &= np.abs(across) < 0.5 * width + ASIDE + smear
    used &= np.isfinite(noise.ravel())
    if used.sum() < 60:
        return None
    places, seen = places[used], dark.ravel()[used].astype(float)
    weight = 1.0 / noise.ravel()[used].astype(float)
    expected = np.array([np.log(LENS), depth, 0.0, 0.0])
    tight = np.array([LENS_SD / LENS, DEPTH_SD, LEVEL_SD, BEND_SD])

    def residual(p: Array) -> Array:
        prior = (p[[5, 6, 7, 3]] - expected) / tight
        return np.concatenate([(_model(p, places, stroke) - seen) * weight, prior])

    angle = float(np.arctan2(direction[1], direction[0]))
    first = np.array([*start, angle, 0.0, np.log(width), np.log(LENS), depth, 0.0])
    found = least_squares(residual, first, method="lm", xtol=1e-5, ftol=1e-5, max_nfev=300)
    if not found.success:
        return None
    return _judged(found.x, found.jac, found.fun[: len(seen)])


def _judged(p: Array, jacobian: Array, misfits: Array) -> TipFit | None:
    try:
        covariance = np.linalg.inv(jacobian.T @ jacobian)
    except np.linalg.LinAlgError:
        return None
    misfit = float(misfits @ misfits) / max(misfits.size - p.size, 1)
    width = float(np.exp(p[4]))
    if not (NARROWEST < width < WIDEST and p[6] > 0.1):
        return None
    spread = covariance[:2, :2] * max(misfit, 1.0)
    if not (np.isfinite(spread).all() and np.trace(spread) > 0.0):
        return None
    return TipFit(
        p[:2].copy(), spread, np.array([np.cos(p[2]), np.sin(p[2])]), width, float(p[6]), misfit
    )
