"""Deviations of marker samples: each by its own dots, a shift of the cameras apart from them."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.instruments import project
from lashwave.points.dots.marker_points import (
    dots_by_frame,
    points_joined,
    stream_points,
    with_own_sd,
)
from lashwave.points.dots.point_deviations import point_deviations
from lashwave.quantities import Dots, Markers
from tests.points.test_marker_points import AWAY, FOCAL, camera

CAMERAS = [camera(0.0, 0.1), camera(1.1, 0.4), camera(2.1, 0.2), camera(3.6, 0.5)]
PLACES = np.random.default_rng(7).uniform(-0.35, 0.35, (12, 3))
FRAMES = 60


def seen(noise: float, shift: float, merged: int | None = None) -> list[Dots]:
    """Dots of places at rest, with noise, a shift of each camera's picture, and one dot in doubt
    [px]."""
    rng = np.random.default_rng(3)
    films = []
    for number, one in enumerate(CAMERAS):
        angle = 2.4 * number
        off = shift * np.array([np.cos(angle), np.sin(angle)]) * np.sqrt(2.0)
        uv = project(one, PLACES) + off + rng.normal(0.0, noise, (FRAMES, len(PLACES), 2))
        sd = np.full((FRAMES, len(PLACES), 2), max(noise, 0.01))
        doubt = np.zeros((FRAMES, len(PLACES)), dtype=bool)
        if merged is not None and number == 0:
            uv[:, merged] += rng.normal(0.0, 4.0, (FRAMES, 2))
            sd[:, merged], doubt[:, merged] = 4.0, True
        count = FRAMES * len(PLACES)
        films.append(
            Dots(
                np.repeat(np.arange(FRAMES), len(PLACES)),
                uv.reshape(count, 2),
                sd.reshape(count, 2),
                np.ones(count),
                np.zeros(count),
                doubt.ravel(),
            )
        )
    return films


def judged(films: list[Dots]):
    points = points_joined(stream_points(CAMERAS, dots_by_frame(films, FRAMES)))
    gap = np.linalg.norm(points.position[:, None] - PLACES, axis=-1)
    return points, gap.argmin(axis=1), point_deviations(CAMERAS, films, points)


def test_noise_is_each_samples_and_a_shift_is_all_samples() -> None:
    points, which, found = judged(seen(noise=0.15, shift=0.2))
    miss = points.position - PLACES[which]
    lasting = np.array([miss[which == k].mean(axis=0) for k in range(len(PLACES))])
    own = miss - lasting[which]
    assert np.sqrt(np.mean(own**2)) == pytest.approx(np.sqrt(np.mean(found.sd**2)), rel=0.15)
    assert 0.25 < np.sqrt(np.mean(lasting**2)) / found.ring.shift_sd < 2.0


def test_a_shift_beyond_what_calibrations_state_is_seen_in_the_misses() -> None:
    """Cameras off by twice as much as above: the shift's deviation grows with it. By four times,
    no images meet and no point is left to judge."""
    points, which, found = judged(seen(noise=0.1, shift=0.4))
    assert len(points.position) > 100
    miss = points.position - PLACES[which]
    lasting = np.array([miss[which == k].mean(axis=0) for k in range(len(PLACES))])
    assert 0.25 < np.sqrt(np.mean(lasting**2)) / found.ring.shift_sd < 2.0


def test_cameras_whose_images_do_not_meet_leave_nothing_to_judge() -> None:
    points, _, found = judged(seen(noise=0.1, shift=0.8))
    assert len(points.position) == 0 == len(found.sd)


def test_what_dots_do_not_state_is_measured() -> None:
    films = seen(noise=0.25, shift=0.0)
    films = [Dots(d.frame, d.uv, 0.0 * d.sd + 0.05, d.flux, d.streak, d.merged) for d in films]
    points, which, found = judged(films)
    assert found.local == pytest.approx(0.25, rel=0.15)
    own = points.position - PLACES[which]
    assert np.sqrt(np.mean(own**2)) == pytest.approx(np.sqrt(np.mean(found.sd**2)), rel=0.25)


def test_a_sample_whose_dot_is_in_doubt_is_less_sure() -> None:
    points, which, found = judged(seen(noise=0.1, shift=0.0, merged=5))
    doubtful = np.median(found.sd[which == 5])
    # 0.1 px over three cameras is some 0.1 px AWAY / FOCAL; the fourth adds its share at least.
    assert np.median(found.sd[which != 5]) == pytest.approx(0.1 * AWAY / FOCAL * 0.65, rel=0.3)
    assert doubtful > 1.05 * np.median(found.sd[which != 5])
    own = points.position[which == 5] - PLACES[5]
    assert np.sqrt(np.mean(own**2)) < 1.6 * doubtful


def test_deviations_go_to_the_samples_that_the_points_are() -> None:
    points, which, found = judged(seen(noise=0.1, shift=0.0, merged=5))
    position = np.full((FRAMES, len(PLACES), 3), np.nan)
    position[points.frame, which] = points.position
    position[4, 2] = np.nan
    time = np.arange(FRAMES) / 500.0
    labels = tuple(f"M{k}" for k in range(len(PLACES)))
    bare = Markers(time, labels, position, np.full(position.shape[:2], 9.0), np.arange(12.0))
    own = with_own_sd(bare, points, found.sd).sd
    kept = np.isfinite(position[points.frame, which, 0])
    assert np.array_equal(own[points.frame[kept], which[kept]], found.sd[kept])
    assert own[4, 2] == np.median(found.sd)
