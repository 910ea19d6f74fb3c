"""Shapes of bright spots, fitted by least squares to many small cutouts at once.

Three shapes: elliptical dot, streak, and a pair of dots. Light is sampled at pixel centres; that a
pixel gathers over its area widens the dot by a variance of 1/12 px2, to better than 0.1 % of the
peak where the standard width is over 0.7 px ("well sampled").

Levenberg's damped Gauss-Newton step (Marquardt, J. Soc. Ind. Appl. Math. 11, 1963, 431), each
cutout with its own damping. scipy's `least_squares` and `curve_fit` do one cutout a call, at
about a millisecond each: forty times too slow for video. Weights are the inverse noise variance
at the fitted level, renewed at each step (quasi-likelihood), so that photon noise is weighed too.

A spot that is round but no Gaussian (a disc, a halo) leaves a residual that is even about its
centre and moves the centre nowhere. What is odd, moves it: noise, a neighbour, coma. So a fit's
deviation is widened by the odd part of its residual alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lashwave.points.dots.dot_settings import DOTS, DotSettings
from lashwave.quantities import Array, Mask

Model = Callable[[Array, Array], tuple[Array, Array]]
"""From parameters (D, P) and grid (2, N) [px] to levels (D, N) and derivatives (D, P, N)."""


def ellipse(p: Array, grid: Array) -> tuple[Array, Array]:
    """Levels [grey levels] and derivatives of elliptical Gaussian dots.

    Parameters
    ----------
    p : (D, 7) height, u, v, a, b, c, background: height exp(-(a x^2 + 2 b x y + c y^2) / 2) with
        [a b; b c] the inverse of the dot's covariance [px-2].
    grid : (2, N) [px] places of the pixels.

    Returns
    -------
    levels (D, N), derivatives (D, 7, N) by the parameters.
    """
    height, u, v, a, b, c, background = (p[:, k, None] for k in range(7))
    x, y = grid[0] - u, grid[1] - v
    ax, cy = a * x + b * y, b * x + c * y
    shape = np.exp(np.clip(-0.5 * (ax * x + cy * y), -60.0, 5.0))
    lit = height * shape
    jacobian = np.empty((len(p), 7, grid.shape[1]))
    jacobian[:, 0] = shape
    jacobian[:, 1] = lit * ax
    jacobian[:, 2] = lit * cy
    half = -0.5 * lit
    jacobian[:, 3] = half * x * x
    jacobian[:, 4] = 2.0 * half * x * y
    jacobian[:, 5] = half * y * y
    jacobian[:, 6] = 1.0
    return lit + background, jacobian


def streak(p: Array, grid: Array) -> tuple[Array, Array]:
    """Levels [grey levels] and derivatives of round dots drawn along a straight stroke.

    Parameters
    ----------
    p : (D, 7) height, u, v [px], log of the width, length [px], angle [rad], background. The
        stroke is evenly bright; the height is the level in its middle.
    grid : (2, N) [px] places of the pixels.

    Returns
    -------
    levels (D, N), derivatives (D, 7, N) by the parameters.
    """
    height, u, v, log_width, length, angle, background = (p[:, k, None] for k in range(7))
    cos, sin, width = np.cos(angle), np.sin(angle), np.exp(log_width)
    x, y = grid[0] - u, grid[1] - v
    along, across = x * cos + y * sin, y * cos - x * sin
    half = 0.5 * np.where(np.abs(length) < 1e-3, 1e-3, length)
    ahead, behind, end = (along + half) / width, (along - half) / width, half / width
    middle = 2.0 * ndtr(end) - 1.0
    stroke = (ndtr(ahead) - ndtr(behind)) / middle
    side = np.exp(np.maximum(-0.5 * (across / width) ** 2, -60.0))
    bell_ahead, bell_behind, bell_end = (
        np.exp(np.maximum(-0.5 * z * z, -60.0)) / np.sqrt(2 * np.pi) for z in (ahead, behind, end)
    )
    lit = height * side
    by_along = lit * (bell_ahead - bell_behind) / (middle * width)
    by_across = -lit * stroke * across / width**2
    grown = (bell_ahead * ahead - bell_behind * behind - 2.0 * stroke * bell_end * end) / middle
    jacobian = np.empty((len(p), 7, grid.shape[1]))
    jacobian[:, 0] = side * stroke
    jacobian[:, 1] = -by_along * cos + by_across * sin
    jacobian[:, 2] = -by_along * sin - by_across * cos
    jacobian[:, 3] = lit * (stroke * (across / width) ** 2 - grown)
    jacobian[:, 4] = (
        0.5 * lit * (bell_ahead + bell_behind - 2.0 * stroke * bell_end) / (middle * width)
    )
    jacobian[:, 5] = by_along * across - by_across * along
    jacobian[:, 6] = 1.0
    return lit * stroke + background, jacobian


def pair(p: Array, grid: Array) -> tuple[Array, Array]:
    """Levels [grey levels] and derivatives of two round dots of one width.

    Parameters
    ----------
    p : (D, 8) height, u, v [px] of one and of the other, log of the width, background.
    grid : (2, N) [px] places of the pixels.

    Returns
    -------
    levels (D, N), derivatives (D, 8, N) by the parameters.
    """
    width = np.exp(p[:, 6, None])
    jacobian = np.zeros((len(p), 8, grid.shape[1]))
    level = np.zeros((len(p), grid.shape[1])) + p[:, 7, None]
    for k in (0, 3):
        x, y = (grid[0] - p[:, k + 1, None]) / width, (grid[1] - p[:, k + 2, None]) / width
        shape = np.exp(np.maximum(-0.5 * (x * x + y * y), -60.0))
        lit = p[:, k, None] * shape
        jacobian[:, k] = shape
        jacobian[:, k + 1] = lit * x / width
        jacobian[:, k + 2] = lit * y / width
        jacobian[:, 6] += lit * (x * x + y * y)
        level += lit
    jacobian[:, 7] = 1.0
    return level, jacobian


SYMMETRIC = 4
"""Of an ellipse fit's 7 parameters, about so many are taken from a cutout's odd half: the two of
the centre, and the half counts double."""


def _mirror(centre: Array, half: int) -> tuple[NDArray[np.int64], Array]:
    """Along one axis: lower of the two pixels (D, n) about each mirrored place, share (D,) of the
    upper."""
    twice = 2.0 * (centre + half)
    low = np.floor(twice).astype(np.int64)
    return low[:, None] - np.arange(2 * half + 1), twice - low


def antisymmetric_noise(rest: Array, used: Mask, centre: Array, half: int) -> tuple[Array, Mask]:
    """Square of the odd part of a residual, scaled to that of white noise.

    Parameters
    ----------
    rest, used : (D, N) residual and pixels that were fitted, row after row of (2 half + 1) px.
    centre : (D, 2) [px] of the spots from the cutout's middle.

    Returns
    -------
    square : (D, N), whose mean for white noise is its variance; known : (D, N) where it is known.
        The mirrored place lies between pixels and is read bilinearly.
    """
    n = 2 * half + 1
    square, good = rest.reshape(-1, n, n), used.reshape(-1, n, n)
    centre = np.clip(centre, -half, half)
    column, right = _mirror(centre[:, 0], half)
    row, lower = _mirror(centre[:, 1], half)
    which = np.arange(len(rest))[:, None, None]
    mirrored, known = np.zeros_like(square), good.copy()
    for shift_v, share_v in ((0, 1.0 - lower), (1, lower)):
        for shift_u, share_u in ((0, 1.0 - right), (1, right)):
            v, u = row + shift_v, column + shift_u
            inside = ((v >= 0) & (v < n))[:, :, None] & ((u >= 0) & (u < n))[:, None, :]
            v, u = np.clip(v, 0, n - 1)[:, :, None], np.clip(u, 0, n - 1)[:, None, :]
            share = share_v * share_u
            mirrored += share[:, None, None] * square[which, v, u]
            known &= inside & good[which, v, u]
    spread = (lower**2 + (1 - lower) ** 2) * (right**2 + (1 - right) ** 2)
    odd = (square - mirrored) ** 2 / (1.0 + spread)[:, None, None]
    return odd.reshape(rest.shape), known.reshape(rest.shape)


def antisymmetric_ratio(
    rest: Array, used: Mask, centre: Array, half: int, variance: Array | float
) -> Array:
    """Noise seen over noise stated (D,), a ratio of variances [1], by the odd part alone."""
    square, known = antisymmetric_noise(rest, used, centre, half)
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


def _variance(level: Array, background: Array, sd: float, gain: float) -> Array | float:
    if gain == 0.0:
        return sd * sd
    return sd * sd + gain * np.maximum(level - background[:, None], 0.0)


def _step(
    state: tuple[Array, Array, Array, Array],
    model: Model,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    noise: tuple[float, float],
) -> tuple[tuple[Array, Array, Array, Array], NDArray[np.bool_]]:
    """One damped step of all cutouts: the new state (parameters, level, derivatives, damping), and
    which cutouts are at the end of their way."""
    p, level, jacobian, damping = state
    weight = used / _variance(level, p[:, -1], *noise)
    rest = data - level
    cost = np.einsum("dn,dn,dn->d", weight, rest, rest)
    weighted = jacobian * weight[:, None]
    normal = weighted @ jacobian.swapaxes(1, 2)
    slope = weighted @ rest[:, :, None]
    unit = np.eye(p.shape[1], dtype=bool)
    diagonal = normal[:, unit]
    normal[:, unit] = diagonal * (1.0 + damping[:, None]) + 1e-12
    move = np.linalg.solve(normal, slope)[..., 0]
    tried = p + move
    tried_level, tried_jacobian = model(tried, grid)
    tried_rest = data - tried_level
    tried_cost = np.einsum("dn,dn,dn->d", weight, tried_rest, tried_rest)
    # With photon noise the weights move too, and the cost may rise by a little at the end.
    better = tried_cost <= cost * (1.0 + 1e-6)
    worse = ~better
    if worse.any():
        tried[worse], tried_level[worse] = p[worse], level[worse]
        tried_jacobian[worse] = jacobian[worse]
    damping = np.clip(damping * np.where(better, 0.1, 10.0), 1e-9, 1e9)
    # Each parameter's move in its own standard deviations, correlation left out; a cutout that
    # gains nothing more, or whose damping has grown, is at its end too.
    still = (np.abs(move) * np.sqrt(diagonal) < 0.03).all(axis=1)
    still |= np.where(better, cost - tried_cost < 0.01 + 1e-4 * cost, damping > 1e2)
    return (tried, tried_level, tried_jacobian, damping), still


def _descend(
    model: Model,
    start: Array,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    noise: tuple[float, float],
    steps: int,
) -> tuple[Array, Array, Array]:
    """Parameters, level and derivatives of every cutout at its end; those at it wait aside."""
    final = (start.copy(), *model(start, grid))
    active = np.arange(len(start))
    state = (*final, np.full(len(start), 1e-3))
    for _ in range(steps):
        state, still = _step(state, model, grid, data[active], used[active], noise)
        if still.all():
            break
        for whole, part in zip(final, state[:3], strict=True):
            whole[active[still]] = part[still]
        active = active[~still]
        state = tuple(part[~still] for part in state)  # type: ignore[assignment]
    for whole, part in zip(final, state[:3], strict=True):
        whole[active] = part
    return final


def fit_spots(
    model: Model,
    start: Array,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    sd: float,
    gain: float,
    steps: int = 8,
    settings: DotSettings = DOTS,
) -> SpotFits:
    """Fit a model to cutouts; its centre is parameters 1 and 2, its background the last.

    Parameters
    ----------
    start : (D, P); grid : (2, N) [px]; data : (D, N) [grey levels]; used : (D, N).
    sd : [grey levels] additive noise of a pixel; gain : [grey levels] an electron.
    """
    p, level, jacobian = _descend(model, start, grid, data, used, (sd, gain), steps)
    weight = used / _variance(level, p[:, -1], sd, gain)
    normal = (jacobian * weight[:, None]) @ jacobian.swapaxes(1, 2)
    normal[:, np.eye(p.shape[1], dtype=bool)] += 1e-12
    rest = np.where(used, data - level, 0.0)
    chi2 = np.einsum("dn,dn,dn->d", weight, rest, rest)
    freedom = np.maximum(used.sum(axis=1) - p.shape[1], 1)
    widening = np.ones(len(p))
    poor = np.flatnonzero(chi2 / freedom > 1.0 + settings.chance * np.sqrt(2.0 / freedom))
    if poor.size:
        half = (int(np.sqrt(grid.shape[1])) - 1) // 2
        noise = np.broadcast_to(_variance(level, p[:, -1], sd, gain), level.shape)[poor]
        ratio = antisymmetric_ratio(rest[poor], used[poor], p[poor, 1:3], half, noise)
        widening[poor] = np.maximum(ratio, 1.0)
    return SpotFits(
        p, np.asarray(np.linalg.inv(normal), dtype=float), chi2, freedom, widening, rest
    )
