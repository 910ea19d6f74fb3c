"""Samples labelled whole: every point where nothing is lost, however fast; nothing where it is."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.labels.assign import Scale
from lashwave.labels.whole_samples import at_rest, whole_samples
from lashwave.quantities.arrays import Array
from tests.points.lines import GRIP, STATION, fold

COUNT = STATION.size
SCALE = Scale(step=2e-3, sd=0.3e-3, station_sd=0.5e-3, rigid_to=GRIP)
REST = np.array([[0.4, 0.6, 0.1], [-0.3, 0.5, 0.9]])


def quick(seed: int) -> Array:
    """(20, L, 3) [m]: from sample to sample a marker goes further than its neighbours are away."""
    whole = fold(800, seed)[::40]
    step = np.linalg.norm(np.diff(whole, axis=0), axis=-1)
    assert np.median(step) > np.diff(STATION).min()
    return whole


def flat(true: Array, rest: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Points of a record in random order: sample (U,), place (U, 3), true column (U,) or -1."""
    samples = len(true)
    still = np.broadcast_to(rest, (samples, *rest.shape))
    place = np.concatenate([true, still], axis=1)
    place = place + rng.normal(0.0, 0.3e-3, place.shape)
    column = np.tile(np.r_[np.arange(COUNT), np.full(len(rest), -1)], samples)
    sample = np.repeat(np.arange(samples), COUNT + len(rest))
    order = rng.permutation(sample.size)
    return sample[order], place.reshape(-1, 3)[order], column[order]


def labelled(sample: Array, place: Array, given: Array) -> Array:
    pairs = SCALE.chord_sd(STATION)
    return whole_samples(sample, place, given, STATION, pairs, SCALE.rigid_to)


@pytest.mark.parametrize("seed", range(4))
def test_all_are_labelled_and_none_wrongly_where_nothing_is_lost(seed: int) -> None:
    sample, place, column = flat(quick(seed), REST, np.random.default_rng(seed))
    given = np.where((column >= 0) & (column < 3), column, -1)
    found = labelled(sample, place, given)
    assert (found[column < 0] == -1).all()
    on = found >= 0
    assert (found[on] == column[on]).all()
    assert on.sum() > 1.5 * (given >= 0).sum()


def test_labels_before_and_after_tell_a_fold_apart() -> None:
    sample, place, column = flat(fold(120, 0), np.empty((0, 3)), np.random.default_rng(0))
    given = np.where((sample % 12 < 6) | (column < 3), column, -1)
    assert (labelled(sample, place, given) == column).all()


@pytest.mark.parametrize("seed", range(4))
def test_strays_in_place_of_lost_markers_get_no_label(seed: int) -> None:
    # As many points as stations by chance: one marker lost and one stray seen.
    rng = np.random.default_rng(10 + seed)
    true = fold(120, seed)
    sample, place, column = flat(true, np.empty((0, 3)), rng)
    given = np.where((column >= 0) & (column < 3), column, -1)
    for s in np.flatnonzero(rng.random(120) < 0.15):
        one = rng.choice(np.flatnonzero((sample == s) & (column >= 3)))
        away = rng.normal(size=3)
        place[one] += (0.04 + rng.exponential(0.1)) * away / np.linalg.norm(away)
        column[one] = -1
    found = labelled(sample, place, given)
    assert (found[column < 0] == -1).all()
    on = found >= 0
    assert (found[on] == column[on]).all()


def test_samples_that_are_not_whole_are_left_alone() -> None:
    sample, place, column = flat(quick(1), np.empty((0, 3)), np.random.default_rng(1))
    lost = (column == 7) & (sample % 5 == 0)  # whole for four samples in a row
    sample, place, column = sample[~lost], place[~lost], column[~lost]
    given = np.where(column < 3, column, -1)
    assert (labelled(sample, place, given) == given).all()


def test_two_points_that_fit_either_way_leave_their_samples_open() -> None:
    true = fold(120, 2)
    true[:, 7] = true[:, 6] + [0.0, 0.001, 0.0]
    sample, place, column = flat(true, np.empty((0, 3)), np.random.default_rng(2))
    given = np.where(column < 3, column, -1)
    assert (labelled(sample, place, given) == given).all()


def test_what_rests_is_known_and_a_slow_marker_is_not_taken_for_it() -> None:
    true = fold(400, 3)[::8]
    sample, place, column = flat(true, REST, np.random.default_rng(3))
    still = at_rest(sample, place, np.ones(sample.size, dtype=bool))
    assert still[column < 0].all() and not still[column >= 3].any()


def test_no_points() -> None:
    none = np.empty(0, dtype=np.int64)
    assert labelled(none, np.empty((0, 3)), none).size == 0
