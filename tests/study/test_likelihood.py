"""Likelihoods of several trials together, against what linear regression gives in closed form."""

import numpy as np
import pytest
from scipy import stats

from lashwave.study.likelihood import Cross, together
from lashwave.study.parameters import DROP95, Known, estimated, lowest

NAMES = ("one", "two", "three")
UNIT = 1e-4
"""Scales so near to 1 that ratio and logarithm are one: there normal models are exact."""
ARMS = UNIT * np.array([-0.6, -0.3, 0.3, 0.6])


def regression(seed, truth, count=40):
    """Least squares with unit noise: information X'X, estimate, -2 log likelihood."""
    random = np.random.default_rng(seed)
    design = (
        random.normal(size=(count, 3)) @ np.array([[1, 0.6, 0], [0, 1, 0.2], [0, 0, 0.5]]) / UNIT
    )
    values = design @ truth + random.normal(size=count)
    return design, values


def cross_of(function, centre, information):
    """A function's values on a cross about a centre."""
    arms = [
        np.array([function(centre + d * np.eye(3)[axis]) - function(centre) for d in ARMS])
        for axis in range(3)
    ]
    return Cross(NAMES, centre, information, (ARMS,) * 3, tuple(arms))


def squares(design, values):
    return lambda b: float(((values - design @ b) ** 2).sum())


@pytest.fixture
def trials():
    truth = UNIT * np.array([0.2, -0.1, 0.4])
    return [regression(seed, truth) for seed in (1, 2)]


def _cross(design, values, off):
    best = np.linalg.lstsq(design, values, rcond=None)[0]
    return cross_of(squares(design, values), best + UNIT * off, design.T @ design)


def test_profiles_of_a_regression_are_the_closed_form(trials):
    """(b - best)^2 / [(X'X)^-1]_jj for unit noise: Draper and Smith, Applied Regression Analysis
    (1998), section 5.1."""
    design = np.concatenate([d for d, _ in trials])
    values = np.concatenate([v for _, v in trials])
    best = np.linalg.lstsq(design, values, rcond=None)[0]
    variance = np.diag(np.linalg.inv(design.T @ design))
    # Centres off the optimum, as a fit's are; a slope along each arm is what tells.
    crosses = tuple(_cross(d, v, off) for (d, v), off in zip(trials, (0.05, -0.1), strict=True))
    known = Known(np.zeros(3), np.full(3, 1e4 * UNIT), np.full(3, 1e-4 * UNIT), np.zeros(3))
    found = estimated(crosses, known)
    assert found.mean == pytest.approx(best, abs=1e-3 * UNIT)
    assert np.diag(found.covariance) == pytest.approx(variance, rel=1e-3)
    for j, profile in enumerate(found.profiles):
        closed = (profile.scale - best[j]) ** 2 / variance[j]
        assert profile.data == pytest.approx(closed, abs=0.01)
        assert profile.posterior == pytest.approx(closed, abs=0.01)
    half = stats.norm.ppf(0.975) * np.sqrt(variance)
    # Straight lines between 41 points of a parabola.
    assert found.high95 - best == pytest.approx(half, rel=3e-3)
    assert best - found.low95 == pytest.approx(half, rel=3e-3)


def test_a_prior_and_an_own_error_are_the_normal_model(trials):
    """One more row a scale: its prior; the own error widens the likelihood (Gauss, by matrices)."""
    design, values = trials[0]
    cross = _cross(design, values, 0.1)
    prior, model_sd = UNIT * np.array([0.3, 0.1, 0.5]), UNIT * np.array([0.05, 0.2, 0.1])
    known = Known(UNIT * np.array([0.1, 0.0, 0.0]), prior, model_sd, np.zeros(3))
    found = estimated((cross,), known)
    best = np.linalg.lstsq(design, values, rcond=None)[0]
    wide = np.linalg.inv(design.T @ design) + np.diag(model_sd**2)
    precision = np.linalg.inv(wide) + np.diag(1 / prior**2)
    mean = np.linalg.solve(precision, np.linalg.solve(wide, best) + known.mean / prior**2)
    assert found.covariance == pytest.approx(np.linalg.inv(precision), rel=1e-3)
    assert found.mean == pytest.approx(mean, abs=1e-3 * UNIT)
    sd = np.sqrt(np.diag(found.covariance))
    assert (found.high95 - found.low95) / (2 * sd) == pytest.approx(np.sqrt(DROP95), rel=3e-3)


def test_a_prior_counts_once_and_an_own_error_is_not_worn_down(trials):
    design, values = trials[0]
    cross = _cross(design, values, 0.0)
    known = Known(np.zeros(3), np.full(3, UNIT), np.full(3, 0.2 * UNIT), np.zeros(3))
    many = estimated((cross,) * 50, known)
    assert np.sqrt(np.diag(many.covariance)) == pytest.approx(
        0.2 * UNIT / np.hypot(1, 0.2), rel=0.05
    )
    best = np.linalg.lstsq(design, values, rcond=None)[0]
    assert many.mean == pytest.approx(best / (1 + 0.2**2), rel=0.02)


def test_scatter_widens_as_a_dispersion_does(trials):
    """Deviations times sqrt(1 + scatter^2), as by a factor 1 + scatter^2 on the noise's variance
    (McCullagh and Nelder, Generalized Linear Models (1989), section 4.5)."""
    design, values = trials[0]
    cross = _cross(design, values, 0.0)
    known = Known(
        np.zeros(3), np.full(3, 1e4 * UNIT), np.full(3, 1e-9 * UNIT), np.array([3.0, 0.0, 0.0])
    )
    found = estimated((cross,), known)
    sd = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert found.model_sd[0] == pytest.approx(3.0 * sd[0], rel=1e-4)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(np.sqrt(10) * sd[0], rel=1e-3)
    assert found.covariance[1, 1] == pytest.approx(sd[1] ** 2, rel=1e-3)


FAR = np.array([-1.4, -0.7, 0.7, 1.4])


def test_a_force_that_grows_with_its_scale_is_met_everywhere():
    """Least squares in the scales themselves: the cross is exact, beyond its points too, and levels
    off where a scale goes to nothing."""
    design, values = regression(4, np.array([2.0, 0.5, 1.0]) * UNIT)
    design = UNIT * design

    def misfit(b):
        return float(((values - design @ np.exp(b)) ** 2).sum())

    centre = np.array([0.1, -0.2, 0.0])
    scaled = design * np.exp(centre)
    arms = [
        np.array([misfit(centre + d * np.eye(3)[axis]) - misfit(centre) for d in FAR])
        for axis in range(3)
    ]
    cross = Cross(NAMES, centre, scaled.T @ scaled, (FAR,) * 3, tuple(arms))
    random = np.random.default_rng(6)
    for at in random.normal(0, 1.5, (20, 3)):
        assert cross.expand(at)[0] == pytest.approx(misfit(at) - misfit(centre), rel=1e-8, abs=1e-8)
    gone = cross.expand(np.array([-40.0, 0.0, 0.0]))
    assert gone[0] == pytest.approx(cross.expand(np.array([-50.0, 0.0, 0.0]))[0], rel=1e-12)
    assert abs(gone[1][0]) < 1e-12
    at = np.array([0.3, -0.2, 0.15])
    now = design * np.exp(at)
    assert cross.information_at(at) == pytest.approx(now.T @ now, rel=1e-8)
    value, gradient, second = together((cross, cross), at)
    step = 1e-5 * np.eye(3)
    slopes = [(together((cross,) * 2, at + s)[0] - value) / 1e-5 for s in step]
    assert gradient == pytest.approx(np.array(slopes), rel=1e-3)
    bends = [(together((cross,) * 2, at + s)[1] - gradient) / 1e-5 for s in step]
    assert second == pytest.approx(np.array(bends), rel=1e-3)


def test_what_was_computed_is_met_and_nothing_turns_back_beyond():
    """A decay exp(-s t), whose rate enters as no force does."""
    time = np.linspace(0.1, 2.0, 30)

    def misfit(b):
        return float(((np.exp(-time) - np.exp(-np.exp(b) * time)) ** 2).sum() / 0.05**2)

    slope = -time * np.exp(-time) / 0.05
    value = np.array([misfit(d) for d in FAR])
    cross = Cross(("rate",), np.zeros(1), np.array([[slope @ slope]]), (FAR,), (value,))
    for arm, known in zip(FAR, value, strict=True):
        assert cross.expand(np.array([arm]))[0] == pytest.approx(known, rel=1e-9)
    far = [cross.expand(np.array([x]))[0] for x in np.linspace(1.4, 3.0, 20)]
    assert np.all(np.diff(far) > 0)


def test_the_least_of_a_curved_valley():
    """Rosenbrock, Comput. J. 3 (1960) 175: least at (1, 1)."""

    def valley(x):
        a, b = 1 - x[0], x[1] - x[0] ** 2
        gradient = np.array([-2 * a - 400 * x[0] * b, 200 * b])
        second = np.array([[2 - 400 * b + 800 * x[0] ** 2, -400 * x[0]], [-400 * x[0], 200.0]])
        return a**2 + 100 * b**2, gradient, second

    at, value = lowest(valley, np.array([-1.2, 1.0]), np.ones(2, dtype=bool))
    assert at == pytest.approx([1.0, 1.0], abs=1e-4) and value < 1e-8


def test_a_cross_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="fit the names"):
        Cross(("one",), np.zeros(2), np.eye(2), (ARMS,), (ARMS,))
    with pytest.raises(ValueError, match="in order"):
        Cross(("one",), np.zeros(1), np.eye(1), (ARMS[::-1],), (ARMS,))
    other = Cross(("two",), np.zeros(1), np.eye(1), (ARMS,), (ARMS**2,))
    one = Cross(("one",), np.zeros(1), np.eye(1), (ARMS,), (ARMS**2,))
    with pytest.raises(ValueError, match="share"):
        estimated((one, other), Known(np.zeros(1), np.ones(1), np.ones(1), np.zeros(1)))
