"""Probabilities of few draws, and answers on a grid."""

import numpy as np
import pytest
from scipy.stats import beta, expon, norm, uniform

from lashwave.quantities import quantiles as chance
from lashwave.quantities.answer import from_draws, on_grid


@pytest.mark.parametrize("draws", [30, 60, 120, 400])
def test_the_bound_is_that_of_the_exact_binomial_interval(draws):
    # Clopper and Pearson, Biometrika 26 (1934) 404: none of D, one-sided 95 %.
    exact = beta.ppf(0.95, 1, draws)
    assert chance.bounded(0.0, draws) == pytest.approx(exact, rel=0.06)
    assert chance.bounded(0.0, draws) >= exact
    assert chance.bounded(1.0, draws) == pytest.approx(1.0 - chance.bounded(0.0, draws))
    assert chance.bounded(0.4, draws) == 0.4


def test_no_draws_say_nothing_and_three_no_more_than_a_half():
    assert np.isnan(chance.bounded(1.0, 0))
    assert chance.bounded(1.0, 3) == chance.bounded(0.0, 3) == 0.5


def test_words_say_that_it_is_a_bound():
    assert chance.said(0.0, 120) == "under 0.03"
    assert chance.said(1.0, 120) == "over 0.97"
    assert chance.said(0.423, 120) == "0.42"


def test_an_answer_on_a_grid_has_the_spacing_as_its_doubt():
    # An even spread of width a has the deviation a / sqrt(12): JCGM 100:2008, 4.3.7.
    same = np.full(100, 1.7)
    found = on_grid(from_draws(same, "m"), same, 0.01)
    assert found.value == 1.7
    assert found.sd == pytest.approx(0.01 / np.sqrt(12))
    assert found.high95 - found.low95 == pytest.approx(0.95 * 0.01, rel=0.01)
    wide = 1.7 + 0.1 * np.random.default_rng(0).standard_normal(1000)
    alone = from_draws(wide, "m")
    assert on_grid(alone, wide, 0.01).sd == pytest.approx(alone.sd, rel=1e-3)
    assert on_grid(alone, wide, 0.0) is alone


@pytest.mark.parametrize(("draws", "lowest"), [(30, 0.94), (40, 0.95), (120, 0.95), (400, 0.95)])
@pytest.mark.parametrize("law", [norm, expon, uniform])
def test_an_interval_of_few_draws_holds_the_next_one_as_often_as_it_says(draws, lowest, law):
    # No other method: the share of the law itself between the edges, in the mean of many sets.
    low, _, high = chance.band(law.rvs(size=(draws, 8000), random_state=draws))
    assert lowest - 0.003 < np.mean(law.cdf(high) - law.cdf(low)) < 0.957


def test_two_draws_and_one_have_a_band():
    assert [float(edge) for edge in chance.band(np.array([3.0]))] == [3.0, 3.0, 3.0]
    low, middle, high = chance.band(np.array([1.0, 2.0]))
    assert low < 1.0 and high > 2.0 and middle == 1.5
