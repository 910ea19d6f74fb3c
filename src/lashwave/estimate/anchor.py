"""What is known of the first two times of a stretch: a prior on shape, or what came before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array


@dataclass(frozen=True)
class Anchor:
    """Rows A delta + y on the deviation delta of the first two times from a reference."""

    matrix: Array
    """(R, 2 n)"""
    offset: Array
    """(R,)"""
    base: Array
    """(2, 3)"""
    direction: Array
    """(2, N, 3)"""
    axes: Array
    """(2, N, 3, 2)"""

    def residual(self, path: Path) -> Array:
        """(R,) at a path, whitened [sd]."""
        links = self.direction.shape[1]
        delta = np.zeros((2, 3 + 2 * links))
        delta[:, :3] = path.base[:2] - self.base
        step = path.direction[:2]
        local = np.einsum("kjae,kja->kje", self.axes, step)
        cosine = np.clip((step * self.direction).sum(-1), -1.0, 1.0)
        angle = np.arccos(cosine)
        local *= (angle / np.maximum(np.sin(angle), 1e-12))[..., None]
        delta[:, 3:] = local.reshape(2, -1)
        return np.asarray(self.matrix @ delta.ravel() + self.offset)

    def rows(self, axes: Array) -> Array:
        """The matrix (R, 2 n) [sd/rad] in a path's own tangent axes (K, N, 3, 2), unit vectors."""
        links = self.direction.shape[1]
        n = 3 + 2 * links
        turn = np.einsum("kjae,kjaf->kjef", self.axes, axes[:2])
        own = self.matrix.copy()
        for s in range(2):
            columns = own[:, s * n + 3 : (s + 1) * n].reshape(-1, links, 2).transpose(1, 0, 2)
            own[:, s * n + 3 : (s + 1) * n] = (
                (columns @ turn[s]).transpose(1, 0, 2).reshape(-1, 2 * links)
            )
        return own


CURVATURE_SD = 3.0
"""Of the shape at the first moment about its guess [1/m]."""
CURVATURE_RATE_SD = 15.0
"""The same of the rate of curvature [1/(m s)]."""
RATE_SD = 30.0
"""Of every link's rate at the first moment [rad/s]: only there to keep what nothing sees finite."""


def shape_prior(setup: FitSetup, path: Path) -> Anchor:
    """A weak prior at the start: smooth about the guessed shape, turning smoothly along the line.

    The stretch beyond the last marker has nothing else to hold its first swing.
    """
    chain = setup.chain
    axes = path.axes[:2]
    links, n = chain.links, setup.unknowns
    step = path.time[1] - path.time[0]
    rows = np.zeros((2, links - 1, 3, 2, n))
    for j in range(1, links):
        span = 0.5 * (chain.length[j] + chain.length[j - 1])
        now = 1.0 / (CURVATURE_SD * span)
        rate = 1.0 / (CURVATURE_RATE_SD * span * step)
        for side, sign in ((j, 1.0), (j - 1, -1.0)):
            place = slice(3 + 2 * side, 5 + 2 * side)
            rows[0, j - 1, :, 0, place] = sign * now * axes[0, side]
            rows[1, j - 1, :, 1, place] = sign * rate * axes[1, side]
            rows[1, j - 1, :, 0, place] = -sign * rate * axes[0, side]
    still = np.zeros((2 * links, 2, n))
    still[:, 1, 3:] = np.eye(2 * links) / (RATE_SD * step)
    still[:, 0, 3:] = -np.eye(2 * links) / (RATE_SD * step)
    rate_now = np.einsum("jae,ja->je", axes[0], path.direction[1] - path.direction[0])
    matrix = np.concatenate([rows.reshape(-1, 2 * n), still.reshape(-1, 2 * n)])
    offset = np.concatenate([np.zeros(6 * (links - 1)), rate_now.ravel() / (RATE_SD * step)])
    return Anchor(matrix, offset, path.base[:2].copy(), path.direction[:2].copy(), axes.copy())
