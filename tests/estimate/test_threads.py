"""The same numbers, bit for bit, on one thread and on several; the factor follows the forming."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from lashwave import mechanics
from lashwave.estimate import assembly, normal as eq, path as paths
from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.elimination import Elimination
from lashwave.estimate.levenberg import damped, diagonal
from lashwave.estimate.sighting_rows import full_weights
from tests.estimate.small_fit import path_of, setup_of, trial_of

TIMES = 13


@pytest.fixture(params=[{}, {"ends": "held"}])
def problem(request):
    rng = np.random.default_rng(3)
    setup = setup_of(trial_of(rng, **request.param))
    path = path_of(setup, rng, TIMES)
    spread = rng.uniform(1.0, 30.0, path.node.shape[:2])
    path = paths.with_shares(setup, path, spread)
    return setup, path, spread, full_weights(setup), shape_prior(setup, path)


def _ways(problem, threads, monkeypatch, pieces):
    """Equations, factor and step, the times cut into pieces as given."""
    monkeypatch.setattr(assembly, "ranges", lambda *_: pieces)
    chase = Elimination(partial(damped, 0.3))
    with mechanics.on_threads(threads):
        normal = eq.build(*problem, chase=chase)
        cost = eq.cost_of(*problem)
    f = chase.factor(normal)
    step = eq.solve(f, normal.gradient, chase.begun)
    draws = eq.draw(f, 70, np.random.default_rng(0))
    return [
        f.band, f.coupling, f.corner, normal.gradient, normal.tension, normal.stiffening, step,
        np.array([normal.cost, cost]), draws,
    ]  # fmt: skip


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("ends", [(0, 2, TIMES), (0, 5, 7, TIMES), (0, 3, 5, 8, 10, 11, TIMES)])
def test_pieces_and_threads_change_no_bit(problem, threads, ends, monkeypatch):
    whole = _ways(problem, 1, monkeypatch, [(0, TIMES)])
    found = _ways(problem, threads, monkeypatch, list(zip(ends[:-1], ends[1:], strict=True)))
    for one, other in zip(whole, found, strict=True):
        np.testing.assert_array_equal(one, other)


def test_the_factor_that_follows_is_that_of_the_whole_equations(problem, monkeypatch):
    normal = eq.build(*problem)
    f = eq.factor(normal, diagonal(normal, 0.3))
    right = _ways(problem, 2, monkeypatch, [(0, 4), (4, 9), (9, TIMES)])
    np.testing.assert_allclose(np.tril(f.corner), np.tril(right[2]), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(eq.solve(f, normal.gradient), right[6], rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("threads", [1, 2])
def test_times_that_hold_no_motion_are_told(problem, threads, monkeypatch):
    monkeypatch.setattr(assembly, "ranges", lambda *_: [(0, 4), (4, 9), (9, TIMES)])

    def damping(formed, first, last):
        out = np.ones((last - first, formed.unknowns))
        if first <= 6 < last:
            out[6 - first] = -1e12
        return out.ravel()

    with mechanics.on_threads(threads), pytest.raises(eq.NotDefiniteError) as told:
        eq.build(*problem, chase=Elimination(damping))
    assert told.value.time == 6
