"""Fisheye lenses against OpenCV's own model: projection, its inverse, boards and a pose."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lashwave.calibrate import calibrate_board, fit_pose
from lashwave.calibrate.corners import Corners
from lashwave.calibrate.pinhole import FISHEYE, project_points, projection_of, rotation_vector
from lashwave.instruments import project, project_jacobian, rays, undistort
from lashwave.quantities.sightings import Camera, Clock

SIZE = (1280, 960)
LENS = np.array([520.0, 523.0, 642.0, 478.0, 0.06, -0.012, 0.004, -0.0008])
POSE = np.array([0.2, -0.3, 0.1, 0.05, -0.1, 1.4])
FULL = np.concatenate([LENS, POSE])
INNER = np.array([[LENS[0], 0, LENS[2]], [0, LENS[1], LENS[3]], [0, 0, 1.0]])


def camera() -> Camera:
    return Camera(
        "wide", 200.0, SIZE, projection_of(FULL), Clock(), 0.5, intrinsics=INNER,
        distortion=LENS[4:],
    )  # fmt: skip


def spots(count: int = 60) -> np.ndarray:
    """Points up to 80 degrees off the axis."""
    rng = np.random.default_rng(3)
    angle, round_ = rng.uniform(0.0, np.radians(80), count), rng.uniform(-np.pi, np.pi, count)
    way = [np.sin(angle) * np.cos(round_), np.sin(angle) * np.sin(round_), np.cos(angle)]
    ahead = np.stack(way, axis=1) * rng.uniform(0.5, 4.0, (count, 1))
    turn = cv2.Rodrigues(POSE[:3])[0]
    return (ahead - POSE[3:]) @ turn


def theirs(points: np.ndarray) -> np.ndarray:
    pose = POSE[:3].reshape(3, 1), POSE[3:].reshape(3, 1)
    return cv2.fisheye.projectPoints(points[:, None], *pose, INNER, LENS[4:])[0].reshape(-1, 2)


def test_projection_is_opencvs_out_to_eighty_degrees() -> None:
    points = spots()
    np.testing.assert_allclose(project(camera(), points), theirs(points), atol=1e-8)


def test_its_slope_is_that_of_differences() -> None:
    points, step = spots(), 1e-6
    found = project_jacobian(camera(), points)
    for axis in range(3):
        move = step * np.eye(3)[axis]
        slope = (project(camera(), points + move) - project(camera(), points - move)) / (2 * step)
        scale = np.abs(found).max(axis=(1, 2))[:, None]
        assert (np.abs(found[..., axis] - slope) / scale).max() < 1e-6


def test_the_inverse_leads_back_and_rays_meet_their_points() -> None:
    points, one = spots(), camera()
    straight = undistort(one, theirs(points))
    plain = Camera("plain", 200.0, SIZE, one.projection, Clock(), 0.5)
    far = 1.0 + np.abs(straight - INNER[:2, 2]).max(axis=1, keepdims=True)
    assert (np.abs(straight - project(plain, points)) / far).max() < 1e-7
    assert rays(one, theirs(points)).distance(points).max() < 1e-6


@pytest.fixture(scope="module")
def boards() -> list[Corners]:
    """Corners of a board of 9 x 6 at 40 mm, seen by OpenCV's model with 0.1 px of noise."""
    rng = np.random.default_rng(5)
    grid = np.mgrid[0:9, 0:6].reshape(2, -1).T * 0.04
    points = np.column_stack([grid - grid.mean(axis=0), np.zeros(len(grid))])
    found = []
    while len(found) < 14:
        turn = rng.uniform(-0.6, 0.6, 3)
        shift = np.array([rng.uniform(-0.45, 0.45), rng.uniform(-0.3, 0.3), rng.uniform(0.3, 0.6)])
        pose = turn.reshape(3, 1), shift.reshape(3, 1)
        uv = cv2.fisheye.projectPoints(points[:, None], *pose, INNER, LENS[4:])[0].reshape(-1, 2)
        if ((uv > 5) & (uv < np.array(SIZE) - 5)).all():
            found.append(Corners(points, uv + 0.1 * rng.standard_normal(uv.shape)))
    return found


def test_boards_give_the_lens_with_its_deviation(boards: list[Corners]) -> None:
    found = calibrate_board(boards, SIZE, distortion=("k1", "k2", "k3", "k4"), fisheye=True)
    c = found.calibration
    assert c.parameters == FISHEYE and c.reprojection_sd == pytest.approx(0.1, rel=0.1)
    inner, bend = np.asarray(c.intrinsics), np.asarray(c.distortion)
    lens = np.array([inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *bend])
    off = lens - LENS
    square = off @ np.linalg.solve(c.covariance, off)
    assert square < 26.1  # chi-square of 8, 0.1 %
    assert c.sd("fx") < 0.5


def test_terms_left_out_stay_zero(boards: list[Corners]) -> None:
    found = calibrate_board(boards, SIZE, distortion=("k1", "k2"), fisheye=True).calibration
    assert found.parameters == FISHEYE[:6] and (np.asarray(found.distortion)[2:] == 0.0).all()


def test_a_pose_among_points_counts_the_lens(boards: list[Corners]) -> None:
    lens = calibrate_board(
        boards, SIZE, distortion=("k1", "k2", "k3", "k4"), fisheye=True
    ).calibration
    points = spots(24)
    uv = theirs(points) + 0.1 * np.random.default_rng(8).standard_normal((24, 2))
    uv[3] += 40.0
    found = fit_pose(points, uv, lens)
    assert not found.used[3] and found.used.sum() == 23
    c = found.calibration
    off = np.concatenate([np.asarray(c.rotation) - POSE[:3], np.asarray(c.translation) - POSE[3:]])
    assert off @ np.linalg.solve(c.covariance[-6:, -6:], off) < 22.5  # chi-square of 6, 0.1 %
    seen, slope = project_points(FULL, points)
    assert slope.shape == (24, 2, 14) and np.abs(seen - theirs(points)).max() < 1e-9
    assert rotation_vector(cv2.Rodrigues(POSE[:3])[0]) == pytest.approx(POSE[:3])
