"""Clocks and flashes, against direct search over offsets."""

import numpy as np
import pytest

from lashwave.instruments.clock import (
    flash_bound,
    flash_frames,
    frame_at,
    frame_time,
)


def test_frame_time_is_the_contract_s_formula_and_inverts():
    assert frame_time(2e4, 40000, 0.5, 1e-5) == pytest.approx(0.5 + 1.00001 * 2.0, abs=1e-15)
    frames = np.arange(0, 9000, 7)
    back = frame_at(2e4, frame_time(2e4, frames, 0.3, 2e-5), 0.3, 2e-5)
    np.testing.assert_allclose(back, frames, atol=1e-8)


@pytest.mark.parametrize("rate, expected_width", [(20000.0, 50e-6), (24000.0, 1 / 24000)])
def test_rates_that_keep_step_bound_the_clock_to_one_frame(rate, expected_width):
    # 20 and 24 kHz are whole multiples of 500 Hz: every flash says the same thing.
    samples = np.arange(500) / 500.0
    truth = 0.123437
    flashes = flash_frames(rate, samples, 4000, truth)
    bound = flash_bound(flashes, rate, samples, (truth - 0.9e-3, truth + 0.9e-3))
    assert bound.share == 1.0
    assert len(bound.intervals) == 1
    low, high = bound.intervals[0]
    assert low <= truth <= high
    assert high - low == pytest.approx(expected_width, rel=1e-6)


def test_rates_that_drift_past_each_other_bound_it_closer_and_the_truth_stays_in():
    rng = np.random.default_rng(3)
    samples = np.arange(600) / 499.7
    widths = []
    for _ in range(40):
        truth, drift = rng.uniform(0.1, 0.2), rng.normal(0, 5e-6)
        flashes = flash_frames(20000.0, samples, 3000, truth, drift)
        bound = flash_bound(flashes, 20000.0, samples, (truth - 2e-3, truth + 2e-3), drift)
        inside = (bound.intervals[:, 0] <= truth) & (truth <= bound.intervals[:, 1])
        assert bound.share == 1.0 and inside.any()
        widths.append(np.diff(bound.intervals[inside])[0, 0])
    assert np.median(widths) < 10e-6  # 75 flashes beat through the frame: about 1 us apart


def test_bound_agrees_with_a_search_over_offsets():
    samples, rate = np.arange(100) / 500.0, 10300.0
    flashes = flash_frames(rate, samples, 300, 0.0517)
    bound = flash_bound(flashes, rate, samples, (0.0497, 0.0537))
    for offset in np.linspace(0.0497, 0.0537, 2001):
        allowed = all(
            np.abs(samples - frame_time(rate, f, offset)).min() <= 0.5 / rate for f in flashes
        )
        inside = ((bound.intervals[:, 0] <= offset) & (offset <= bound.intervals[:, 1])).any()
        assert allowed == inside, offset


def test_the_answer_repeats_with_the_marker_period():
    samples = np.arange(100) / 500.0
    flashes = flash_frames(20000.0, samples, 400, 0.05)
    bound = flash_bound(flashes, 20000.0, samples, (0.0465, 0.0535))
    np.testing.assert_allclose(np.diff(bound.intervals.mean(axis=1)), 2e-3, atol=1e-9)


def test_one_wrong_flash_is_outvoted_and_shows_in_the_share():
    samples = np.arange(500) / 500.0
    flashes = np.append(flash_frames(20000.0, samples, 400, 0.1), 17)
    bound = flash_bound(flashes, 20000.0, samples, (0.0992, 0.1008))
    assert bound.share == pytest.approx(1 - 1 / flashes.size)
    assert ((bound.intervals[:, 0] <= 0.1) & (bound.intervals[:, 1] >= 0.1)).any()


def test_no_flash_in_reach_says_so():
    bound = flash_bound(np.array([5]), 2e4, np.array([0.0, 0.002]), (3.0, 3.001))
    assert bound.share == 0.0 and bound.intervals.shape == (0, 2)
