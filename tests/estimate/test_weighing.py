"""How probable each of several motions is: against densities whose shares are known."""

from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.estimate import normal as eq
from lashwave.estimate.sighting_rows import Weights, tail_weights
from lashwave.estimate.weighing import LEAST, counts, deviance, open_alike, robust_loss, shares

LINKS, TIMES, SHARED = 2, 5, 3
ONE = 3 + 2 * LINKS
SIZE = ONE * TIMES + SHARED


def precision(rng, scale):
    """Symmetric, positive, banded in time as the equations of a motion are, with a full border."""
    root = rng.normal(size=(SIZE, SIZE)) * scale
    whole = root @ root.T + SIZE * scale**2 * np.eye(SIZE)
    row, column = np.indices(whole.shape)
    inner = np.maximum(row, column) < ONE * TIMES
    whole[inner & (np.abs(row // ONE - column // ONE) > 2)] = 0.0
    return whole + np.eye(SIZE) * max(0.0, 1.0 - np.linalg.eigvalsh(whole).min())


def equations(matrix, away):
    """Those of a Gaussian, at a point `away` from its middle."""
    body = ONE * TIMES
    band = np.zeros((3 * ONE, body), order="F")
    for i in range(3 * ONE):
        band[i, : body - i] = np.diagonal(matrix[:body, :body], -i)
    return eq.Normal(
        band, matrix[:body, body:].copy(), matrix[body:, body:].copy(), matrix @ away,
        float(away @ matrix @ away), np.zeros((TIMES, LINKS)), np.zeros((TIMES, LINKS, 3, 2)),
        SimpleNamespace(cost=0.0), ONE, np.zeros((TIMES, LINKS)),
    )  # fmt: skip


@pytest.mark.parametrize("weight", [0.5, 0.08, 0.97])
def test_two_gaussians_have_the_weights_that_they_are_mixed_with(weight):
    """p = w N(m1, S1) + (1 - w) N(m2, S2), far apart: -2 log p about each is a square and
    -2 log w + log det 2 pi S (any textbook of probability). One is thirty times as wide as the
    other, so that it is as much lower, and is asked for beside its peak."""
    rng = np.random.default_rng(3)
    found = []
    for share, scale in ((weight, 1.0), (1.0 - weight, 30.0)):
        matrix = precision(rng, scale)
        peak = -2.0 * np.log(share) + SIZE * np.log(2 * np.pi) - np.linalg.slogdet(matrix)[1]
        n = equations(matrix, rng.normal(size=SIZE) / scale)
        found.append(deviance(n, peak + n.cost, 0.0))
    assert shares(np.array(found)) == pytest.approx([weight, 1.0 - weight], rel=1e-9)


def test_equations_that_hold_no_motion_have_no_share():
    n = equations(-np.eye(SIZE), np.zeros(SIZE))
    assert shares(np.array([7.0, deviance(n, 0.0, 0.0)])).tolist() == [1.0, 0.0]


def test_the_loss_has_the_weights_as_its_slope():
    """d loss / d r^2 is the weight by which a step counts the square (Lange, Little and Taylor,
    J. Am. Stat. Assoc. 84 (1989) 881: iteratively reweighted squares)."""
    for dimensions in (2, 3):
        size = np.linspace(0.1, 12.0, 60)[:, None] * np.ones(dimensions) / np.sqrt(dimensions)
        near, far = robust_loss(size * (1 - 1e-6), 4.0), robust_loss(size * (1 + 1e-6), 4.0)
        slope = (far - near) / (4e-6 * (size**2).sum(axis=-1))
        assert slope == pytest.approx(tail_weights(size, 4.0), rel=1e-4)
    assert robust_loss(np.array([[np.nan] * 3]), 4.0) == pytest.approx([0.0])


def test_draws_are_shared_out_by_probability():
    assert counts(np.array([0.5, 0.5]), 120).tolist() == [60, 60]
    assert counts(np.array([0.71, 0.29]), 100).tolist() == [71, 29]
    assert counts(np.array([1.0]), 7).tolist() == [7]
    assert counts(np.array([1.0 - LEAST, LEAST]), 20).tolist() == [19, 1]
    assert counts(np.array([1.0 - 0.1 * LEAST, 0.1 * LEAST]), 20).tolist() == [20, 0]


def test_motions_are_asked_with_places_as_open_as_in_any():
    """One motion's fold would otherwise make its own sightings count less, and it the likelier."""
    weights = [
        Weights(np.ones((2, 2)), {}, folds=np.array(folds))
        for folds in ([[0.0, 3e-3], [1e-3, 0.0]], [[2e-3, 1e-3], [0.0, 0.0]])
    ]
    for alike in open_alike(weights):
        assert np.array_equal(alike.folds, [[2e-3, 3e-3], [1e-3, 0.0]])
    bare = [Weights(np.ones((2, 2)), {})] * 2
    assert all(alike.folds is None for alike in open_alike(bare))
