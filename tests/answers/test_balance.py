"""Damping by the energy balance, against the posterior by quadrature."""

import numpy as np
import pytest
from scipy import integrate

from lashwave.answers import account

RNG = np.random.default_rng(5)
SCALE = np.exp(0.7 * RNG.standard_normal(2000))
"""Damping times over the stated one, known to a factor of two."""


def test_a_rest_far_better_known_than_damping_sets_it():
    # each draw: 0.02 J at the stated damping, while the balance leaves 0.09 J of 1 J, to 0.01 J
    taken = 0.02 * SCALE
    found = taken * account.damping_factors(np.full(2000, 0.09), taken, 1.0, SCALE)
    spread, middle = np.log(SCALE).std(ddof=1), np.median(np.log(SCALE))

    def moment(power):
        """Of what damping takes, over its logarithm, by quadrature."""

        def weigh(log_s):
            lost = 0.02 * np.exp(log_s)
            near = ((0.09 - lost) / 0.01) ** 2 + ((log_s - middle) / spread) ** 2
            return lost**power * np.exp(-0.5 * near)

        return integrate.quad(weigh, 0.0, 3.0, epsabs=0.0)[0]

    mean = moment(1) / moment(0)
    sd = np.sqrt(moment(2) / moment(0) - mean**2)
    assert found.mean() == pytest.approx(mean, abs=5 * sd / np.sqrt(2000))
    assert found.std() == pytest.approx(sd, rel=0.1)


def test_a_balance_that_says_nothing_leaves_damping_as_it_was():
    taken = 1e-5 * SCALE  # a thousandth of what the balance can tell
    found = np.log(SCALE * account.damping_factors(np.zeros(2000), taken, 1.0, SCALE))
    assert np.median(found) == pytest.approx(np.median(np.log(SCALE)), abs=0.1)
    assert found.std() == pytest.approx(np.log(SCALE).std(), rel=0.1)


def test_damping_cannot_make_up_for_losses_that_are_too_large():
    taken = 0.02 * SCALE
    rest = np.full(2000, -0.10)  # drag took a tenth more than the hand gave
    found = taken * account.damping_factors(rest, taken, 1.0, SCALE)
    assert (found > 0.0).all()
    assert np.median(rest - found) < -0.10  # and the account shows it


@pytest.mark.parametrize(
    "rest, taken, work, scale",
    [
        (np.full(3, np.nan), np.ones(3), 1.0, SCALE[:3]),
        (np.ones(3), np.zeros(3), 1.0, SCALE[:3]),
        (np.ones(3), np.ones(3), 0.0, SCALE[:3]),
        (np.ones(3), np.ones(3), 1.0, np.ones(3)),
        (np.ones(1), np.ones(1), 1.0, SCALE[:1]),
    ],
)
def test_without_a_balance_nothing_changes(rest, taken, work, scale):
    np.testing.assert_array_equal(account.damping_factors(rest, taken, work, scale), 1.0)
