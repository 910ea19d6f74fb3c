"""Jumping samples are told from fast ones."""

import numpy as np

from lashwave.estimate.marker_tracks import jumps_of

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
