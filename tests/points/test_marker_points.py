"""Points in space from several cameras' dots.

Values by degrees of freedom and linearised covariance, and OpenCV's
own fundamental matrix and triangulation.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lashwave.instruments import disagreement, project
from lashwave.instruments.triangulation import fundamental
from lashwave.points.dots.dot_settings import MeetSettings
from lashwave.points.dots.find_dots import DotSettings, find_dots
from lashwave.points.dots.frame_points import DotsInFrame, points_in_frame
from lashwave.points.dots.marker_points import (
    dots_by_frame,
    lasting_points,
    locate_markers,
    points_joined,
    stream_points,
)
from lashwave.quantities.sightings import Camera, Clock, Markers
from tests.points.lines import fold
from tests.points.rendered import Reel, noisy, spots

EXACT = MeetSettings(calibration=0.0)
FOCAL, AWAY = 2000.0, 3.0


def camera(angle: float, height: float = 0.0, focal: float = FOCAL) -> Camera:
    """A camera 3 m from the origin, looking at it, `angle` [rad] round the vertical."""
    ray = np.array([np.cos(angle), np.sin(angle), height])
    stand = AWAY * ray / np.linalg.norm(ray)
    ahead = -stand / AWAY
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(ahead, right), ahead])
    inner = np.array([[focal, 0, 640], [0, focal, 512], [0, 0, 1.0]])
    projection = inner @ np.column_stack([turn, -turn @ stand])
    return Camera(f"at {angle:.2f}", 500.0, (1280, 1024), projection, Clock(), 0.5)


def view(uv: np.ndarray, sd: float = 0.1, merged: np.ndarray | None = None) -> DotsInFrame:
    none = np.zeros(len(uv), dtype=bool)
    return DotsInFrame(uv, np.full(len(uv), sd), none if merged is None else merged)


def test_fundamental_matrix_is_opencvs() -> None:
    rng = np.random.default_rng(0)
    one, two = camera(0.0), camera(0.8, 0.3)
    points = rng.uniform(-0.5, 0.5, (20, 3))
    uv = [project(c, points) for c in (one, two)]
    theirs, _ = cv2.findFundamentalMat(uv[0], uv[1], cv2.FM_8POINT)
    ours = fundamental(one, two)
    theirs = theirs / np.linalg.norm(theirs)
    assert np.abs(ours * np.sign(np.sum(ours * theirs)) - theirs).max() < 1e-7


def test_disagreement_is_chi_square_also_in_parallel_light() -> None:
    rng = np.random.default_rng(1)
    flat = camera(1.2)
    rows = np.array([[0.0, 900.0, 0, 300], [0, 0, -900.0, 300], [0, 0, 0, 1.0]])
    flat = Camera("flat", 500.0, (1000, 1000), rows, Clock(), 0.5)
    one = camera(0.7, 0.2)
    points = rng.uniform(-0.4, 0.4, (4000, 3))
    uv1 = project(one, points) + rng.normal(0.0, 0.3, (4000, 2))
    uv2 = project(flat, points) + rng.normal(0.0, 0.5, (4000, 2))
    sd = np.full(40, 0.3), np.full(40, 0.5)
    found = np.concatenate(
        [
            np.diag(disagreement(one, flat, uv1[k : k + 40], uv2[k : k + 40], *sd))
            for k in range(0, 4000, 40)
        ]
    )
    assert found.mean() == pytest.approx(1.0, abs=4 * np.sqrt(2 / 4000))


def test_covariance_of_two_cameras_and_of_a_ring() -> None:
    # g = s D / f; at 30 degrees g / (sqrt2 sin 15) = 2.049 mm along the bisector for s = .5.
    apart = np.radians(30.0)
    pair = [camera(-apart / 2), camera(apart / 2)]
    g = 0.5 * AWAY / FOCAL
    dot = [view(project(c, np.zeros((1, 3))), 0.5) for c in pair]
    place, covariance, views, _ = points_in_frame(pair, dot, settings=EXACT)
    assert views.tolist() == [[0, 0]] and np.abs(place).max() < 1e-9
    sd = np.sqrt(np.diag(covariance[0]))
    across = g / (np.sqrt(2) * np.cos(apart / 2))
    assert sd == pytest.approx([2.049e-3, across, g / np.sqrt(2)], rel=1e-3)
    ring = [camera(2 * np.pi * k / 8) for k in range(8)]
    dots = [view(project(c, np.zeros((1, 3))), 0.5) for c in ring]
    sd = np.sqrt(np.diag(points_in_frame(ring, dots, settings=EXACT)[1][0]))
    assert sd == pytest.approx([0.375e-3, 0.375e-3, 0.265e-3], rel=2e-3)


@pytest.mark.parametrize("count, expected", [(2, 0.5), (4, 0.7906), (8, 0.9014)])
def test_residuals_have_their_degrees_of_freedom(count: int, expected: float) -> None:
    # rms of a coordinate's residual = s sqrt((2 m - 3) / (2 m)).
    rng = np.random.default_rng(count)
    ring = [camera(0.15 + 2 * np.pi * k / count * 0.8, 0.2 * (k % 3)) for k in range(count)]
    rest, away = [], []
    for _ in range(60):
        truth = rng.uniform(-0.4, 0.4, (12, 3))
        seen = [project(c, truth) + rng.normal(0, 0.1, (12, 2)) for c in ring]
        place, covariance, _, chi2 = points_in_frame(ring, [view(s) for s in seen], settings=EXACT)
        rest.append(chi2)
        miss = place[:, None] - truth
        near = np.linalg.norm(miss, axis=-1).argmin(axis=1)
        miss = miss[np.arange(len(place)), near]
        away.append(np.einsum("pi,pij,pj->p", miss, np.linalg.inv(covariance), miss))
    rms = 0.1 * np.sqrt(np.concatenate(rest).mean() / (2 * count))
    assert rms / 0.1 == pytest.approx(expected, rel=0.04)
    assert np.concatenate(away).mean() == pytest.approx(3.0, abs=0.4)


def filmed(
    cameras: list[Camera], true: np.ndarray, rng: np.random.Generator, strays: int
) -> list[list[DotsInFrame]]:
    """Dots of moving points (T, L, 3) with noise of 0.1 px, some unseen, some false."""
    frames = []
    for places in true:
        views = []
        for c in cameras:
            uv = project(c, places) + rng.normal(0.0, 0.1, (len(places), 2))
            uv = uv[rng.random(len(uv)) > 0.05]
            uv = np.concatenate([uv, rng.uniform([0, 0], [1280, 1024], (strays, 2))])
            views.append(view(rng.permutation(uv)))
        frames.append(views)
    return frames


@pytest.mark.parametrize("count, share", [(2, 0.75), (3, 0.95), (5, 0.97)])
def test_points_of_a_moving_line_without_ghosts(count: int, share: float) -> None:
    rng = np.random.default_rng(count)
    true = fold(60, 3) - [0.4, 0.0, 0.2]
    cameras = [camera(0.2 + 0.9 * k, 0.3 + 0.2 * (k % 2), 1100.0) for k in range(count)]
    rule = MeetSettings(calibration=0.02)
    points = lasting_points(
        points_joined(stream_points(cameras, filmed(cameras, true, rng, 4), settings=rule))
    )
    gap = np.linalg.norm(points.position[:, None] - true[points.frame], axis=-1)
    # 5 sd of a coordinate, at 5 sd of the mean of three, and what a stray can pull
    assert (gap.min(axis=1) < 8 * points.sd + 1e-3).all()
    assert len(gap) > share * true.shape[0] * true.shape[1]
    key = np.stack([points.frame, gap.argmin(axis=1)])
    assert len(np.unique(key.T, axis=0)) == len(gap)


def test_two_cameras_do_not_guess() -> None:
    # Two points in one epipolar plane, two cameras: the crossed pairing meets as well.
    pair = [camera(-0.4), camera(0.4)]
    truth = np.array([[0.1, 0.05, 0.0], [-0.12, -0.1, 0.0]])
    views = [view(project(c, truth)) for c in pair]
    assert len(points_in_frame(pair, views, settings=EXACT)[0]) == 0
    expected = truth + 1e-3, np.full(2, 1e-5)
    place = points_in_frame(pair, views, expected, EXACT)[0]
    assert np.sort(place[:, 0]) == pytest.approx([-0.12, 0.1], abs=1e-6)
    three = [*pair, camera(0.1, 0.8)]
    place = points_in_frame(three, [*views, view(project(three[2], truth))], settings=EXACT)[0]
    assert np.sort(place[:, 0]) == pytest.approx([-0.12, 0.1], abs=1e-6)


def test_a_merged_dot_serves_two_points_and_nothing_gives_nothing() -> None:
    cameras = [camera(0.0, 0.1), camera(0.9, 0.4), camera(1.9, 0.2)]
    truth = np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0]])
    views = [view(project(c, truth)) for c in cameras]
    middle = project(cameras[0], truth).mean(axis=0, keepdims=True)
    views[0] = view(middle, 6.0, np.array([True]))
    found = points_in_frame(cameras, views, settings=EXACT)
    assert sorted(found[2][:, 0].tolist()) == [0, 0]
    empty = [view(np.empty((0, 2))) for _ in cameras]
    assert len(points_in_frame(cameras, empty)[0]) == 0


def test_from_pictures_to_points() -> None:
    rng = np.random.default_rng(20)
    true = fold(6, 3) - [0.4, 0.0, 0.2]
    cameras = [camera(0.9 + 0.6 * k, 0.3 + 0.2 * (k % 2), 1100.0) for k in range(3)]
    dots = []
    for c in cameras:
        light = [spots((1280, 1024), project(c, places), 150.0, 1.8) for places in true]
        images = [noisy(picture, 15.0, 2.0, rng) for picture in light]
        dots.append(find_dots(Reel(images), DotSettings(gain=0.0)))
    points = points_joined(
        stream_points(cameras, dots_by_frame(dots, 6), settings=MeetSettings(calibration=1e-3))
    )
    gap = points.position[:, None] - true[points.frame]
    own = np.linalg.norm(gap, axis=-1).argmin(axis=1)
    miss = gap[np.arange(len(own)), own]
    score = np.einsum("pi,pij,pj->p", miss, np.linalg.inv(points.covariance), miss)
    assert len(own) > 0.9 * 72
    # chi-square of 3 degrees of freedom; its median is 2.37, whatever a blended dot or two do
    assert np.median(score) == pytest.approx(2.37, rel=0.35)
    assert np.linalg.norm(miss, axis=1).max() < 3e-3


def test_cameras_of_unlike_lengths_share_their_first_images() -> None:
    rng = np.random.default_rng(21)
    true = fold(24, 3) - [0.4, 0.0, 0.2]
    cameras = [camera(0.9 + 0.6 * k, 0.3 + 0.2 * (k % 2), 1100.0) for k in range(3)]
    films = []
    for one, count in zip(cameras, (24, 22, 23), strict=True):
        light = [spots((1280, 1024), project(one, places), 150.0, 1.8) for places in true[:count]]
        films.append(Reel([noisy(picture, 15.0, 2.0, rng) for picture in light]))
    station = np.linspace(0.0, 1.1, true.shape[1])
    labels = tuple(f"M{k}" for k in range(len(station)))
    none = np.empty((0, len(labels)))
    wanted = Markers(np.empty(0), labels, np.empty((0, len(labels), 3)), none, station)
    found = locate_markers(cameras, films, wanted, 0.0, lambda *_: None)
    assert found.markers.time.size == 22 and found.offsets == ()
    assert any("22 to 24 images; the first 22" in note for note in found.notes)
    assert [h.name for h in found.health] == [c.name for c in cameras]
    assert all(h.rms < 0.3 for h in found.health)
