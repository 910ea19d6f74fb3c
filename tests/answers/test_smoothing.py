"""The span that smooths draws: wide where they are calm, narrow where they leap."""

import numpy as np
import pytest
from scipy.signal import savgol_coeffs

from lashwave.answers import pull
from lashwave.answers.smoothing import parabolas, smoothed

STEP = 2e-4
TIME = np.arange(0.0, 0.2, STEP)


def draws_of(truth, noise, rng, own=0.3):
    """Draws about an estimate that trembles itself, by a share of the draws' own spread."""
    estimate = truth + own * noise * rng.standard_normal(TIME.size)
    return estimate + noise * rng.standard_normal((60, TIME.size))


def test_where_the_pull_is_calm_the_widest_span_is_chosen():
    rng = np.random.default_rng(3)
    calm = 20.0 + 400.0 * (TIME - 0.1) ** 2
    found = smoothed(draws_of(calm, 5.0, rng), STEP, pull.SPANS)
    inner = slice(50, -50)
    # a parabola is kept, and white noise on samples 0.2 ms apart falls by the filter's own gain
    width = round(0.5 * 13.5e-3 / 2e-4) * 2 + 1
    gain = np.sqrt((savgol_coeffs(width, 2) ** 2).sum())
    assert np.median(found.std(axis=0)[inner]) == pytest.approx(5.0 * gain, rel=0.25)
    middle = np.median(found, axis=0)
    assert np.abs(middle - calm)[inner].max() < 5.0  # the widest alone: 5 * 0.3 * gain * some 3


def test_a_leap_within_a_millisecond_is_followed():
    rng = np.random.default_rng(4)
    leap = 20.0 + 40.0 / (1.0 + np.exp(-(TIME - 0.1) / 2e-4))
    draws = draws_of(leap, 1.0, rng)
    found = np.median(smoothed(draws, STEP, pull.SPANS), axis=0)
    at = np.searchsorted(TIME, 0.1006)  # 0.6 ms after the middle: the leap is 95 % done
    assert found[at] == pytest.approx(leap[at], abs=2.0)
    # what one wide span would have made of it
    wide = parabolas(np.median(draws, axis=0)[None], STEP, 13.5e-3)[0, at]
    assert wide < leap[at] - 8.0


@pytest.mark.parametrize("count", [1, 2, 3, 5, 40])
@pytest.mark.parametrize("draws", [1, 12])
def test_a_short_record_is_smoothed_over_what_there_is(count, draws):
    values = np.tile(3.0 + 1e3 * TIME[:count], (draws, 1))
    np.testing.assert_allclose(smoothed(values, STEP, pull.SPANS), values, rtol=1e-9)


def test_the_pull_is_carried_back_along_a_straight_line(imposed):
    station = np.array([0.0, 0.2, 0.21, 0.24, 0.28, 0.3, 0.5])
    tension = 50.0 - 40.0 * (station - 0.2)
    tension[2] = 30.0  # within the bend at the clamp
    tension[6] = 10.0  # and far beyond
    time = np.linspace(0.0, 0.1, 101)
    still = np.zeros((1, time.size, station.size, 3))
    draws = imposed.draws(
        time, station, still, still, tension=np.broadcast_to(tension, (1, 101, 7))
    )
    np.testing.assert_allclose(pull.past_clamp(draws, 0.2), 50.0 - 40.0 * 0.02, rtol=1e-9)
