"""Metrics of the benchmark, on cases whose answer is known beforehand.

The band's numbers are the exact 99.9 % binomial acceptance for n = 200 and 1000 (any table of the
binomial distribution).
"""

import numpy as np
import pytest
from score import band, naive, seen

from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial


@pytest.mark.parametrize(
    "count, share, low, high", [(200, 0.95, 179, 198), (200, 0.9, 165, 192), (1000, 0.95, 926, 971)]
)
def test_band_is_the_printed_one(count, share, low, high):
    assert band(count, share) == (low, high)


def straight(gap: slice | None = None) -> Markers:
    time = np.arange(101) / 500.0
    station = np.array([0.05, 0.5, 1.0, 1.5])
    position = np.zeros((101, 4, 3))
    position[..., 0] = station
    position[..., 2] = (10 * time**2)[:, None]
    if gap is not None:
        position[gap, 2] = np.nan
    sd = np.full((101, 4), 3e-4)
    return Markers(time, ("a", "b", "c", "d"), position, sd, station)


def test_seen_needs_both_neighbours_within_two_milliseconds():
    markers = straight(slice(40, 50))
    times = np.array([0.070, 0.0795, 0.0805, 0.09, 0.0985])
    visible = seen(markers, times, np.array([0.02, 0.2, 0.7, 1.2, 1.7]))
    # last sample before the gap: 0.078 s; first after it: 0.100 s
    assert visible[:, 1].all() and not visible[:, 0].any() and not visible[:, 4].any()
    np.testing.assert_array_equal(visible[:, 2], [True, True, False, False, True])
    np.testing.assert_array_equal(visible[:, 3], visible[:, 2])


def test_naive_practice_is_exact_on_a_straight_line_moving_smoothly():
    x = np.array([0.0, 2.0])
    trial = Trial("t", Line(x, np.full(2, 5e-3), np.full(2, 0.02)), straight(slice(40, 44)))
    times, stations = np.array([0.0711, 0.0833]), np.array([0.2, 1.2, 2.0])
    found = naive(trial, times, stations)
    np.testing.assert_allclose(found[..., 0], stations[None].repeat(2, 0), atol=1e-12)
    np.testing.assert_allclose(found[..., 2], (10 * times**2)[:, None].repeat(3, 1), atol=1e-12)
