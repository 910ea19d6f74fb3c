"""A line some of whose stretches are marked alike: its points fit a few stations on as well.

The truth is the invented motion's own: a straight line that turns about its butt.
"""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest

from lashwave.labels.assign import Scale, _decide, label_points
from lashwave.labels.label_settings import ChainSettings, LabelSettings
from lashwave.labels.station_costs import chord_cost, min_marginals
from lashwave.quantities.arrays import Array

STEP, SD = 2e-3, 0.2e-3
STATION = np.array([0.04, 0.172, 0.427, 0.587, 0.739, 0.861, 0.987, 1.112, 1.23, 1.326, 1.45,
                    1.543, 1.657, 1.757, 1.841, 1.942])  # fmt: skip
"""Steps of 118, 96 and 124 mm from the eighth on; farther out 114, 100 and 185 in two."""
SCALE = Scale(STEP, sd=SD, station_sd=1e-3, rigid_to=0.2)
RATE = 10.0
"""[rad/s]: beyond 1.5 m a marker goes 30 mm and more from sample to sample, too far for a track."""


def turning(samples: int) -> Array:
    """(T, L, 3) [m]"""
    angle = RATE * STEP * np.arange(samples)
    axis = np.stack([np.cos(angle), 0.0 * angle, np.sin(angle)], axis=-1)
    return np.asarray(STATION[:, None] * axis[:, None])


@pytest.mark.parametrize(("seen", "share"), [(16, 0.6), (11, 0.75)])
def test_a_marker_is_not_taken_for_one_on_a_stretch_marked_alike(seen: int, share: float) -> None:
    """Points of the outer markers are too far apart for tracks (16 seen), or never seen (11)."""
    true = turning(60)[:, :seen]
    sample, column = np.nonzero(np.ones(true.shape[:2]))
    place = true[sample, column] + np.random.default_rng(0).normal(0.0, SD, (sample.size, 3))
    found = label_points(sample, place, STATION, SCALE)
    given = found.station >= 0
    assert np.array_equal(found.station[given], column[given])
    assert given.mean() > share


@pytest.mark.parametrize(("alone", "given"), [(0.0, True), (0.5, True), (4.0, False)])
def test_samples_that_bear_each_other_out_are_not_believed_against_themselves(
    alone: float, given: bool
) -> None:
    """A track of 60 samples whose votes are for the third station by 5 each, where each sample by
    itself is for the second by so much; together they count as four."""
    votes, says = np.full((60, 4), 5.0), np.full((60, 4), 5.0)
    votes[:, 2] = 0.0
    says[:, 1], says[:, 2] = 0.0, alone
    label, *_ = _decide(np.zeros(60, np.int64), votes, 0.0 * votes, says, LabelSettings())
    assert (label == (2 if given else -1)).all()


def every_labelling(points: Array, station: Array, sd: Array, settings: ChainSettings) -> Array:
    """(L, N) least cost of all labellings that have a point at a station, over the least of all."""
    count, many = len(station), len(points)
    chord = np.linalg.norm(points[:, None] - points, axis=-1)
    link = {
        (j, k): chord_cost(chord, station[k] - station[j], sd[j, k], settings)
        for j, k in combinations(range(count), 2)
    }
    least = np.full((count, many), np.inf)
    for number in range(1, many + 1):
        spare = settings.missing * (count - number) - settings.left_over * number
        for at in combinations(range(count), number):
            for used in permutations(range(many), number):
                cost = spare + sum(
                    link[at[i], at[i + 1]][used[i], used[i + 1]] for i in range(number - 1)
                )
                least[at, used] = np.minimum(least[at, used], cost)
    return least - min(least.min(), settings.missing * count)


def test_no_point_is_at_two_stations_of_a_labelling() -> None:
    """Against all labellings of five points on seven stations, where points that come back fill
    the last two: none that was found costs less, and the best is found whole."""
    station = np.array([0.0, 0.2, 0.31, 0.44, 0.54, 0.77, 0.9])
    points = np.array([[s, 0.0, 0.0] for s in station[:5]])
    sd, settings, none = np.full((7, 7), 1.5e-3), ChainSettings(), np.zeros((1, 7, 5))
    exact = every_labelling(points, station, sd, settings)
    assert (exact[range(5), range(5)] == 0.0).all()
    found = min_marginals(points[None], station, none, sd, settings)[0]
    assert (found > exact - 1e-9).all()
    assert found[range(5), range(5)] == pytest.approx(0.0, abs=1e-9)
