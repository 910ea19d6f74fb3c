"""What is foretold of a small throw: it knows noise, rate and gaps, and no more than is seen."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from lashwave.estimate import Options, foreseen
from tests.workbench.small_throw import small_throw

OPTIONS = Options(draws=40)


@cache
def small():
    trial, truth = small_throw(camera=False)
    return trial, (lambda times, station: truth.path.at(times, station)[0])


def spread(trial, places) -> np.ndarray:
    """(S,) [m], standard deviations of the stations' places, over time."""
    draws = foreseen(trial, places, OPTIONS)
    return np.sqrt(draws.position.var(axis=0).sum(-1).mean(axis=0))


def test_the_draws_lie_about_the_expected_motion():
    trial, places = small()
    draws = foreseen(trial, places, OPTIONS)
    off = draws.position.mean(axis=0) - places(draws.time, draws.station)
    sd = draws.position.std(axis=0)
    # chords and a mean of 40 draws: within a third of a deviation, or a third of a millimetre
    assert np.sqrt(np.mean(off**2)) < max(0.35 * np.sqrt(np.mean(sd**2)), 0.35e-3)


def test_three_times_the_noise_is_known_worse_and_not_three_times_so():
    trial, places = small()
    markers = trial.markers
    noisy = replace(trial, markers=replace(markers, sd=3.0 * markers.sd))
    ratio = spread(noisy, places) / spread(trial, places)
    # at the markers on the line; the mechanics hold the line too
    assert 1.1 < np.median(ratio) < 3.2


def test_what_no_marker_sees_late_is_known_worse():
    trial, places = small()
    markers = trial.markers
    place = markers.position.copy()
    place[:, -2:] = np.nan  # the two markers nearest to the tip
    blind = spread(replace(trial, markers=replace(markers, position=place)), places)
    assert blind[-1] > 1.3 * spread(trial, places)[-1]
