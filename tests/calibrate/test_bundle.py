"""The arrow-shaped adjustment against scipy's dense least squares on the same problem."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from lashwave.calibrate.bundle import Family, solve
from lashwave.calibrate.point_fit import UndeterminedError

SHARED, GROUPS, OWN, ROWS = 4, 6, 3, 9


def problem(seed: int):
    """Oscillations whose frequencies mix shared ones and whose heights are each group's own."""
    random = np.random.default_rng(seed)
    time = np.linspace(0, 3, ROWS)
    rates, heights = random.uniform(0.5, 1, SHARED), random.uniform(0.5, 2, (GROUPS, OWN))
    mix = random.uniform(0.2, 0.8, (GROUPS, SHARED))

    def rows(shared, own):
        phase = (mix @ shared)[:, None] * time
        by_own = np.stack([np.sin(phase), np.cos(phase), np.ones_like(phase)], axis=-1)
        by_phase = own[:, :1] * np.cos(phase) - own[:, 1:2] * np.sin(phase)
        by_shared = (by_phase * time)[:, :, None] * mix[:, None]
        return (by_own * own[:, None]).sum(axis=-1), by_shared, by_own

    seen = rows(rates, heights)[0] + 1e-2 * random.standard_normal((GROUPS, ROWS))

    def evaluate(shared, own):
        value, by_shared, by_own = rows(shared, own)
        return (value - seen) / 1e-2, by_shared / 1e-2, by_own / 1e-2

    return evaluate, rates, heights


def prior(shared):
    return (shared - 1.5) / 2.0, np.eye(SHARED) / 2.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_is_the_dense_solution_with_its_covariance(seed: int) -> None:
    evaluate, rates, heights = problem(seed)
    found = solve([Family(evaluate, heights * 1.02)], rates * 1.02, prior)

    def dense(x):
        rest = evaluate(x[:SHARED], x[SHARED:].reshape(GROUPS, OWN))[0].ravel()
        return np.concatenate([rest, prior(x[:SHARED])[0]])

    start = np.concatenate([rates * 1.02, heights.ravel() * 1.02])
    theirs = least_squares(dense, start, jac="3-point", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    covariance = np.linalg.inv(theirs.jac.T @ theirs.jac)
    sd = np.sqrt(np.diag(covariance))
    ours = np.concatenate([found.shared, found.own[0].ravel()])
    assert (np.abs(ours - theirs.x) < 0.01 * sd).all()
    assert found.square == pytest.approx(2 * theirs.cost, rel=1e-6)
    assert found.covariance == pytest.approx(covariance[:SHARED, :SHARED], rel=1e-3)
    cross, own = found.couple(0, 2)
    place = slice(SHARED + 2 * OWN, SHARED + 3 * OWN)
    assert cross == pytest.approx(covariance[:SHARED, place], rel=1e-3)
    assert own == pytest.approx(covariance[place, place], rel=1e-3)


def test_a_shared_parameter_that_nothing_feels_is_told() -> None:
    evaluate, rates, heights = problem(1)

    def blind(shared, own):
        rest, by_shared, by_own = evaluate(np.append(shared[:3], shared[2]), own)
        merged = by_shared.copy()
        merged[..., 2] += by_shared[..., 3]
        merged[..., 3] = 0.0
        return rest, merged, by_own

    with pytest.raises(UndeterminedError):
        solve([Family(blind, heights)], rates)
