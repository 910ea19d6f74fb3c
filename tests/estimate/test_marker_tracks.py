"""Jumping samples are told from fast ones, and a track that a motion left from a stray one."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.marker_tracks import jumps_of, linked_of, off_track
from tests.estimate.small_fit import trial_of

TIME = np.arange(200) / 500.0


def track(speed: float) -> np.ndarray:
    """A circle of 0.5 m at a speed [m/s]."""
    angle = speed / 0.5 * TIME
    return 0.5 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=-1)


def test_reflections_are_found_and_nothing_else():
    rng = np.random.default_rng(1)
    place = track(10.0) + rng.normal(0.0, 3e-4, (200, 3))
    wrong = rng.choice(np.arange(2, 198), 10, replace=False)
    place[wrong] += rng.choice([-1, 1], (10, 3)) * rng.uniform(0.15, 1.0, (10, 3))
    place[100:110] = np.nan
    expected = np.zeros(200, dtype=bool)
    expected[np.setdiff1d(wrong, np.arange(100, 110))] = True
    found = jumps_of(TIME, place)
    assert (found & ~expected).sum() == 0
    assert found.sum() >= expected.sum() - 1


def test_a_fast_marker_does_not_jump():
    # 60 m/s on 0.5 m is 7200 m/s2, the fastest that markers are seen at
    assert not jumps_of(TIME, track(60.0)).any()


def test_no_more_than_a_share_is_taken():
    place = np.random.default_rng(2).uniform(-1, 1, (200, 3))
    assert jumps_of(TIME, place).sum() <= 30


@pytest.fixture
def tracked():
    """Five markers on circles, 200 samples each."""
    trial = trial_of(np.random.default_rng(3))
    place = np.stack([track(speed) for speed in (2.0, 5.0, 10.0, 20.0, 60.0)], axis=1)
    sd = np.full(place.shape[:2], 3e-4)
    return replace(trial, markers=replace(trial.markers, time=TIME, position=place, sd=sd))


def moved_away(trial, rows, label):
    place = trial.markers.position.copy()
    place[rows, label] += [0.0, 0.0, 0.3]
    return replace(trial, markers=replace(trial.markers, position=place))


def hidden(trial, rows, label):
    place = trial.markers.position.copy()
    place[rows, label] = np.nan
    return replace(trial, markers=replace(trial.markers, position=place))


def off(trial, far):
    """Of samples far (200, 5) from a motion, those that no track holds."""
    seen = np.isfinite(trial.markers.position).all(-1)
    return off_track(far & seen, linked_of(trial), seen)


def test_samples_go_on_from_their_own_track_and_not_over_jumps_and_gaps(tracked):
    assert linked_of(tracked)[2:].all()
    # 0.3 m aside for a time: the first two of the stretch and the first two after it do not go on
    linked = linked_of(moved_away(tracked, slice(80, 120), 2))
    assert np.flatnonzero(~linked[2:, 2]).tolist() == [78, 79, 118, 119]
    gone = linked_of(hidden(tracked, slice(50, 60), 1))  # 22 ms
    assert not gone[50:62, 1].any() and gone[62:, 1].all()


def test_a_motion_that_left_a_track_is_wrong_and_not_the_samples(tracked):
    """Both lie far from a motion from sample 80 on: one by a jump of its own, one by the motion."""
    trial = moved_away(tracked, slice(80, 120), 2)
    far = np.zeros((200, 5), dtype=bool)
    far[80:120, 2] = far[80:150, 3] = True
    found = off(trial, far)
    assert found[80:120, 2].all() and found.sum() == 40
    # where the track was never with the motion, nothing says that it is the marker's
    far[:, 4] = True
    assert off(trial, far)[:, 4].all()


def test_a_sample_that_is_not_seen_breaks_no_track_and_brings_no_stray_back(tracked):
    far = np.zeros((200, 5), dtype=bool)
    far[80:120, 2] = far[80:150, 3] = True
    found = off(hidden(hidden(moved_away(tracked, slice(80, 120), 2), 100, 2), 100, 3), far)
    assert found[80:100, 2].all() and found[101:120, 2].all() and not found[:, 3].any()
