"""Columns of bending and its friction against differences of the forces, chords held."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.estimate.bend_rows import bend_columns, bend_forces, mean_directions
from lashwave.estimate.path import tangent_axes
from tests.estimate.long_rows import blank, long_rows

LINKS, HM, HP, SCALE, TAU = 4, 1.1e-3, 0.8e-3, 1.3, 2.5e-3


def turned(t: np.ndarray, axes: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Directions (3, N, 3) turned by small angles (3, N, 2) about their axes."""
    moved = t + np.einsum("kjae,kje->kja", axes, angle)
    return moved / np.linalg.norm(moved, axis=-1, keepdims=True)


@pytest.mark.parametrize("seed", range(4))
def test_columns_are_the_derivatives_of_the_forces(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bend, c = rng.uniform(1e-3, 5e-3, LINKS + 1), rng.uniform(0.03, 0.09, (3, LINKS))
    first = np.cumsum(rng.normal(size=(LINKS, 3)) * 0.4, axis=0) + np.array([1.5, 0.0, 0.0])
    t = first + 0.1 * rng.normal(size=(3, LINKS, 3))
    t /= np.linalg.norm(t, axis=-1, keepdims=True)
    w = rng.uniform(0.1, 0.3, (3, LINKS))
    w[1] = 1.0 - w[0] - w[2]
    weight, axes = rng.uniform(0.5, 2.0, LINKS + 1), tangent_axes(t)
    h, n = 0.5 * (HM + HP), 3 + 2 * LINKS
    before, after = -HP / (HM * (HM + HP)), HM / (HP * (HM + HP))

    def rows(directions: np.ndarray) -> np.ndarray:
        rate = before * directions[0] - (before + after) * directions[1] + after * directions[2]
        mean = mean_directions(directions, w)
        force = bend_forces(directions[1], mean, rate, c[1], bend, SCALE, TAU).sum(axis=0)
        return (-h * weight[:, None] * force).ravel()

    row = blank(LINKS, 5)
    bend_columns(row, t, axes, w, c, HM, HP, bend, SCALE, TAU, weight)
    G, _ = long_rows(row, np.zeros((3, LINKS, 4, 3, 2)))
    scale = np.abs(G).max()
    for s in range(3):
        assert not G[:, s * n : s * n + 3].any()  # a shift of the base bends nothing
        for j in range(LINKS):
            for e in range(2):
                angle = np.zeros((3, LINKS, 2))
                angle[s, j, e] = 1e-6
                slope = (rows(turned(t, axes, angle)) - rows(turned(t, axes, -angle))) / 2e-6
                column = G[:, s * n + 3 + 2 * j + e]
                np.testing.assert_allclose(column, slope, atol=1e-8 * scale)
    assert not G[:, 3 * n :].any()
