"""Least squares with shared parameters and many small blocks of their own: boards, wands, points.

Each group of residuals (an image of a board, a frame of the wand) depends on the shared parameters
(lenses, camera poses) and on its own few (the board's pose, the dots' places). Its own are
eliminated before the shared ones are solved for, so that the cost grows with the number of groups,
not with its cube (Schur complement; Triggs et al., Bundle adjustment, LNCS 1883 (2000) 298,
section 6.1). Levenberg-Marquardt with Marquardt's scaling. The covariance of the shared
parameters is the inverse of the same reduced matrix, so it counts the groups' own uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.quantities import Array

Evaluate = Callable[[Array, Array], tuple[Array, Array, Array]]
"""From shared parameters (S,) and own (G, k) to unit residuals (G, m) and their derivatives
(G, m, S) and (G, m, k). What is not there has rows of zeros."""
Prior = Callable[[Array], tuple[Array, Array]]
"""From shared parameters to unit residuals (q,) and their derivative (q, S)."""


@dataclass(frozen=True)
class Family:
    """Groups of one kind."""

    evaluate: Evaluate
    own: Array
    """(G, k)"""


@dataclass(frozen=True)
class Bundle:
    """A solution."""

    shared: Array
    """(S,)"""
    own: tuple[Array, ...]
    """(G, k) of each family."""
    covariance: Array
    """(S, S), for residuals of unit variance."""
    square: float
    """Sum of squared residuals."""
    condition: float
    """Square root of that of the reduced matrix, scaled to a unit diagonal."""
    couple: Callable[[int, int], tuple[Array, Array]]
    """Of family f, group g: covariance of the shared with its own (S, k), and of its own (k, k)."""


@dataclass(frozen=True)
class _Normal:
    """Normal equations of all families at one place."""

    square: float
    top: Array
    pull: Array
    blocks: list[tuple[Array, Array, Array]]
    """Of each family: own (G, k, k), coupling (G, S, k), own pull (G, k)."""


def solve(
    families: Sequence[Family],
    shared: Array,
    prior: Prior | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> Bundle:
    """Least squares from a start that is near enough.

    Parameters
    ----------
    families : groups of residuals, each with its own parameters (G, k).
    shared : (S,) start of the parameters that all share, each in its own unit [1].
    prior : knowledge of these from elsewhere.

    Raises
    ------
    UndeterminedError
        Where a direction of the shared parameters is not felt.
    """
    shared = np.array(shared, dtype=float)
    own = [np.array(f.own, dtype=float) for f in families]
    now = _normal(families, shared, own, prior)
    damping = 1e-4
    for _ in range(settings.bundle_steps):
        step, steps = _step(now, damping)
        fresh_shared = shared + step
        fresh_own = [a + b for a, b in zip(own, steps, strict=True)]
        trial = _normal(families, fresh_shared, fresh_own, prior)
        if not trial.square <= now.square * (1 + 1e-15):
            damping *= 8.0
            if damping > 1e12:
                break
            continue
        gain = now.square - trial.square
        shared, own, now = fresh_shared, fresh_own, trial
        damping = max(damping / 10.0, 1e-14)
        if gain <= 1e-11 * now.square + 1e-24:
            break
    return _finish(shared, own, now, settings)


def _normal(
    families: Sequence[Family], shared: Array, own: Sequence[Array], prior: Prior | None
) -> _Normal:
    size = shared.size
    top, pull, square = np.zeros((size, size)), np.zeros(size), 0.0
    blocks = []
    for family, mine in zip(families, own, strict=True):
        rest, by_shared, by_own = family.evaluate(shared, mine)
        flat = by_shared.reshape(-1, size)
        top += flat.T @ flat
        pull -= flat.T @ rest.ravel()
        turned = by_own.transpose(0, 2, 1)
        blocks.append(
            (turned @ by_own, by_shared.transpose(0, 2, 1) @ by_own, -(turned @ rest[..., None]))
        )
        square += float((rest**2).sum())
    if prior is not None:
        rest, slope = prior(shared)
        top += slope.T @ slope
        pull -= slope.T @ rest
        square += float((rest**2).sum())
    return _Normal(square if np.isfinite(square) else np.inf, top, pull, blocks)


def _damped(matrix: Array, damping: float) -> Array:
    """A matrix, or a stack of them, with its diagonal raised; a parameter that nothing feels stays
    where it is."""
    diagonal = np.einsum("...ii->...i", matrix)
    raised = diagonal * damping + np.where(diagonal <= 0.0, 1.0, 0.0)
    return matrix + raised[..., None] * np.eye(matrix.shape[-1])


def _reduce(now: _Normal, damping: float) -> tuple[Array, Array, list[Array]]:
    """Reduced matrix, reduced pull, and the inverse of each family's own blocks."""
    top, pull = _damped(now.top, damping), now.pull.copy()
    inverses: list[Array] = []
    for block, couple, mine in now.blocks:
        inverse: Array = np.asarray(np.linalg.inv(_damped(block, damping)), dtype=float)
        half = couple @ inverse
        top -= np.einsum("gsk,gtk->st", half, couple, optimize=True)
        pull -= np.einsum("gsk,gk->s", half, mine[..., 0])
        inverses.append(inverse)
    return top, pull, inverses


def _step(now: _Normal, damping: float) -> tuple[Array, list[Array]]:
    top, pull, inverses = _reduce(now, damping)
    step = _solve_scaled(top, pull)
    steps = [
        (inverse @ (mine - couple.transpose(0, 2, 1) @ step[:, None]))[..., 0]
        for inverse, (_, couple, mine) in zip(inverses, now.blocks, strict=True)
    ]
    return step, steps


def _solve_scaled(matrix: Array, right: Array) -> Array:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    try:
        return np.asarray(
            scale * np.linalg.solve(matrix * np.outer(scale, scale), scale * right), dtype=float
        )
    except np.linalg.LinAlgError:
        return np.zeros_like(right)


def _finish(shared: Array, own: list[Array], now: _Normal, settings: CalibrateSettings) -> Bundle:
    top, _, inverses = _reduce(now, 0.0)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(now.top), 1e-300))
    scaled = top * np.outer(scale, scale)
    if not np.isfinite(scaled).all():
        raise UndeterminedError(
            "the sightings are too far from any camera to compute with",
            "check units, lenses and deviations",
        )
    values, vectors = np.linalg.eigh(scaled)
    # The eigenvalues are squares: half the digits are lost to rounding.
    if values[0] <= values[-1] * max(settings.fit_singular**-2, 1e-14):
        raise UndeterminedError(
            "the images do not determine the camera",
            "give more of them, tilted and spread over the image",
        )
    root = scale[:, None] * vectors / np.sqrt(values)
    covariance = root @ root.T

    def couple(family: int, group: int) -> tuple[Array, Array]:
        half = now.blocks[family][1][group] @ inverses[family][group]
        cross = -covariance @ half
        return cross, inverses[family][group] - half.T @ cross

    return Bundle(
        shared, tuple(own), covariance, now.square, float(np.sqrt(values[-1] / values[0])), couple
    )
