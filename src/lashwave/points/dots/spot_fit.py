"""Least-squares fits of many small windows at once.

Levenberg's damped Gauss-Newton step (Marquardt, J. Soc. Ind. Appl. Math. 11, 1963, 431), each
window with its own damping. scipy's `least_squares` and `curve_fit` do one window a call, at
about a millisecond each: forty times too slow for video. Weights are the inverse noise variance
at the fitted level, renewed at each step (quasi-likelihood), so that photon noise is weighed too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.points.dots.odd import odd_ratio
from lashwave.points.dots.spot_models import Model
from lashwave.quantities.arrays import Array

CHANCE = 4.0
"""Standard deviations of chi-square beyond which a misfit is no chance."""


@dataclass(frozen=True)
class Fits:
    """D windows fitted."""

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
    within chance, else the variance of its odd part over the stated one (`odd`), at least 1."""
    rest: Array
    """(D, N) data less fit [grey levels]; 0 where a pixel was left out."""


def _variance(level: Array, ground: Array, sd: float, gain: float) -> Array | float:
    if gain == 0.0:
        return sd * sd
    return sd * sd + gain * np.maximum(level - ground[:, None], 0.0)


def _step(
    state: tuple[Array, Array, Array, Array],
    model: Model,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    noise: tuple[float, float],
) -> tuple[tuple[Array, Array, Array, Array], NDArray[np.bool_]]:
    """One damped step of all windows: the new state (parameters, level, derivatives, damping), and
    which windows are at the end of their way."""
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
    # Each parameter's move in its own standard deviations, correlation left out; a window that
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
    """Parameters, level and derivatives of every window at its end; those at it wait aside."""
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


def fit(
    model: Model,
    start: Array,
    grid: Array,
    data: Array,
    used: NDArray[np.bool_],
    sd: float,
    gain: float,
    steps: int = 8,
) -> Fits:
    """Fit a model to windows; its centre is parameters 1 and 2, its background the last.

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
    poor = np.flatnonzero(chi2 / freedom > 1.0 + CHANCE * np.sqrt(2.0 / freedom))
    if poor.size:
        half = (int(np.sqrt(grid.shape[1])) - 1) // 2
        noise = np.broadcast_to(_variance(level, p[:, -1], sd, gain), level.shape)[poor]
        ratio = odd_ratio(rest[poor], used[poor], p[poor, 1:3], half, noise)
        widening[poor] = np.maximum(ratio, 1.0)
    return Fits(p, np.asarray(np.linalg.inv(normal), dtype=float), chi2, freedom, widening, rest)
