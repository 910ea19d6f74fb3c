"""The fit of one draw's wavefront to the points of a front.

Levenberg and Marquardt's damped Gauss-Newton steps with Huber's weights (Madsen, Nielsen and
Tingleff, Methods for Non-Linear Least Squares Problems, 2nd ed. 2004, 3.2). Its own, because the
unknowns lie in a bent valley that a library's trust region creeps along (35 evaluations, and some
stops far from the least), where this takes 8: every unknown is held by what is known before, so
that full steps can be taken.
"""

from __future__ import annotations

import numpy as np

from lashwave.emission.birth_models import HUBER, Model, Scene
from lashwave.quantities.arrays import Array

MOST_STEPS = 15
ENOUGH = 0.02
"""Change of half the sum of squares that counts as none: a fifth of a deviation of one unknown."""
DAMPING, HIGHEST_DAMPING = 1e-3, 1e3
"""Shares of the normal equations' diagonal; a step that does not help raises it tenfold."""


def solve(fit: Model, scene: Scene, first: Array) -> Array:
    """Unknowns with the least sum of Huber's losses of points and squares of what is held."""
    points = scene.sd.size
    low, high = scene.path.station[[0, -1]]
    x = first.copy()
    x[0] = np.clip(x[0], low, high)
    away, slope = fit(x, scene)
    cost, damping = _cost(away, points), DAMPING
    for _ in range(MOST_STEPS):
        weight = np.ones(away.size)
        weight[:points] = np.minimum(1.0, HUBER / np.maximum(np.abs(away[:points]), 1e-12))
        normal, down = (slope.T * weight) @ slope, -slope.T @ (weight * away)
        at_end = (x[0] <= low and down[0] < 0.0) or (x[0] >= high and down[0] > 0.0)
        free = np.arange(int(at_end), x.size)
        before = cost
        while damping <= HIGHEST_DAMPING:
            trial = x.copy()
            trial[free] += _step(normal[np.ix_(free, free)], down[free], damping)
            trial[0] = np.clip(trial[0], low, high)
            trial[2] = np.clip(trial[2], 0.5 * scene.sound, 2.0 * scene.sound)
            seen = fit(trial, scene)
            now = _cost(seen[0], points)
            if now < cost:
                x, (away, slope), cost = trial, seen, now
                damping *= 0.1
                break
            damping = max(damping, DAMPING) * 10.0
        if before - cost < ENOUGH:
            break
    return x


def _cost(away: Array, points: int) -> float:
    far = np.abs(away[:points])
    loss = np.where(far < HUBER, 0.5 * far**2, HUBER * (far - 0.5 * HUBER))
    return float(loss.sum() + 0.5 * (away[points:] ** 2).sum())


def _step(normal: Array, down: Array, damping: float) -> Array:
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / size / size[:, None] + damping * np.eye(size.size)
    return np.asarray(np.linalg.solve(scaled, down / size) / size)
