"""Scores against what they are defined as, and against values of another program."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from lashwave.quantities import crps, log_score, scored


@pytest.mark.parametrize(("error", "sd"), [(0.0, 1.0), (0.4, 0.2), (-3.0, 0.7), (1e-4, 3e-4)])
def test_crps_is_the_integral_of_its_definition(error, sd):
    # forecast of mean `error`, seen 0: the squared distance of the two distribution functions
    below = quad(lambda x: norm.cdf(x, error, sd) ** 2, error - 12 * sd, 0.0, points=[error])[0]
    above = quad(lambda x: norm.sf(x, error, sd) ** 2, 0.0, error + 12 * sd, points=[error])[0]
    span = 12 * sd
    if error - span > 0.0:
        below = 0.0
    assert crps(np.array(error), np.array(sd)) == pytest.approx(below + above, rel=1e-6)


def test_crps_and_log_score_of_a_public_package():
    # scoringrules 0.10.0, crps_normal and logs_normal of 1 and 2 under a standard normal law
    error, one = np.array([1.0, 2.0]), np.ones(2)
    np.testing.assert_allclose(crps(error, one), [0.60244136, 1.45279182], rtol=1e-8)
    np.testing.assert_allclose(log_score(error, one), [-1.41893853, -2.91893853], rtol=1e-8)


def test_both_scores_cost_an_interval_that_is_too_wide_or_too_narrow():
    error = np.random.default_rng(1).normal(0.0, 2e-3, 4000)
    at = {sd: scored(error, np.full(4000, sd)) for sd in (0.6e-3, 2e-3, 6e-3)}
    assert at[2e-3].crps < min(at[0.6e-3].crps, at[6e-3].crps)
    assert at[2e-3].log_score > max(at[0.6e-3].log_score, at[6e-3].log_score)
    assert at[2e-3].coverage == pytest.approx(0.95, abs=0.012)
    assert at[2e-3].rms == pytest.approx(2e-3, rel=0.03)
    assert at[6e-3].sd == pytest.approx(6e-3)
