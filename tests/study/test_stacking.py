"""Models over throws: stacking weights against a general optimiser, errors across throws."""

import numpy as np
import pytest
from scipy.optimize import minimize

from lashwave.study.rank import Errors
from lashwave.study.stacking import stacking_weights, standings, throw_scores


@pytest.mark.parametrize("seed", range(4))
def test_weights_are_those_of_a_general_optimiser(seed):
    scores = np.random.default_rng(seed).normal([0.0, 0.3, -0.5], 1.0, (40, 3))
    found = stacking_weights(scores)

    def lost(w):
        return -np.log(np.exp(scores) @ w).mean()

    best = minimize(
        lost, np.full(3, 1 / 3), bounds=[(0, 1)] * 3, method="SLSQP", tol=1e-12,
        constraints={"type": "eq", "fun": lambda w: w.sum() - 1.0},
    )  # fmt: skip
    assert lost(found) <= lost(best.x) + 1e-9
    np.testing.assert_allclose(found, best.x, atol=2e-4)
    assert found.sum() == pytest.approx(1.0)


def test_two_models_that_are_right_by_turns_share_by_hand():
    """p = (3, 1) in two of three throws, (1, 3) in one: the slope of the sum is 0 at w = 5/6."""
    scores = np.log([[3.0, 1.0], [3.0, 1.0], [1.0, 3.0]])
    assert stacking_weights(scores) == pytest.approx([5 / 6, 1 / 6], abs=1e-6)


def test_errors_are_across_throws():
    rng = np.random.default_rng(2)
    throws = []
    for size in (1.0, 2.0, 0.7, 1.4):
        rms = size * np.array([[1.0], [1.5]]) * np.exp(0.05 * rng.standard_normal((2, 30)))
        rms[1, 3] = np.nan
        throws.append(Errors(("whole", "no drag"), np.arange(30.0), rms, np.zeros(30, int)))
    names, scores = throw_scores(throws)
    others = np.concatenate([t.rms[0, np.arange(30) != 3] ** 2 for t in throws[1:]]).mean()
    own = (throws[0].rms[0, np.arange(30) != 3] ** 2).mean()
    assert scores[0, 0] == pytest.approx(-0.5 * (np.log(2 * np.pi * others) + own / others))
    whole, drag = standings(throws)
    less = scores[:, 1] - scores[:, 0]
    assert (names, whole.name, whole.score) == (("whole", "no drag"), "whole", 0.0)
    assert drag.score == pytest.approx(less.mean()) and drag.score < 0
    assert drag.error == pytest.approx(less.std(ddof=1) / 2)
    assert drag.better == 0 and whole.weight > 0.95
