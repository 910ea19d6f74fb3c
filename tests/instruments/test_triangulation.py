"""Triangulation against closed forms and against OpenCV.

A ring of m cameras at distance D that look at its centre, focal length f [px], noise s [px],
g = s D / f: sd g sqrt(2 / m) in the ring's plane, g / sqrt(m) across it. Two cameras at an angle a:
g / (sqrt2 sin(a / 2)) along the bisector, g / (sqrt2 cos(a / 2)) across it, g / sqrt2 vertical.
Derived from the linearised covariance, as are the millimetres below.
"""

import cv2
import numpy as np
import pytest

from lashwave.instruments.camera import project
from lashwave.instruments.triangulation import triangulate_many, undistort
from lashwave.quantities.sightings import Camera, Clock
from tests.published.record import derived

RING = derived("linearised covariance, g = s D / f")
FREEDOM = derived("degrees of freedom, s sqrt((2 m - 3) / (2 m))")

FOCAL, DISTANCE, NOISE = 2000.0, 3.0, 0.5
INNER = np.array([[FOCAL, 0, 511.5], [0, FOCAL, 383.5], [0, 0, 1]])
BEND = np.array([-0.21, 0.08, 0.0012, -0.0007, -0.013])


def one_point(cameras, uv, sd):
    """Place (3,) and covariance (3, 3) of one point seen at (C, 2)."""
    points, covariance = triangulate_many(cameras, np.asarray(uv)[None], np.asarray(sd)[None])
    return points[0], covariance[0]


def look(angle: float, bent: bool = False) -> Camera:
    """A camera on the ring (z up) that looks at the origin."""
    ahead = -np.array([np.cos(angle), np.sin(angle), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    rotation = np.stack([np.cross(down, ahead), down, ahead])
    pose = np.hstack([rotation, [[0.0], [0.0], [DISTANCE]]])
    lens = {"intrinsics": INNER, "distortion": BEND} if bent else {}
    return Camera("c", 500.0, (1024, 768), INNER @ pose, Clock(), NOISE, **lens)


def ring(count: int, bent: bool = False) -> list[Camera]:
    return [look(2 * np.pi * k / count, bent) for k in range(count)]


@pytest.mark.parametrize(("count", "plane", "vertical"), [(8, 0.375e-3, 0.265e-3)])
def test_a_ring_has_the_printed_sd(check, count: int, plane: float, vertical: float) -> None:
    cameras = ring(count)
    uv = np.array([project(c, np.zeros(3)) for c in cameras])
    point, covariance = one_point(cameras, uv, np.full(count, NOISE))
    sd = np.sqrt(np.diag(covariance))
    g = NOISE * DISTANCE / FOCAL
    assert np.abs(point).max() < 1e-12
    assert sd == pytest.approx(g * np.sqrt([2 / count, 2 / count, 1 / count]), rel=1e-9)
    printed = np.array([plane, plane, vertical])
    check("point seen by a ring of cameras, sd", 1e3 * sd, 1e3 * printed, RING, abs=5e-4, unit="mm")


def test_a_pair_at_30_degrees_has_the_printed_sd(check) -> None:
    cameras = [look(np.radians(-15)), look(np.radians(15))]
    uv = np.array([project(c, np.zeros(3)) for c in cameras])
    _, covariance = one_point(cameras, uv, np.full(2, NOISE))
    sd = np.sqrt(np.diag(covariance))
    g, half = NOISE * DISTANCE / FOCAL, np.radians(15)
    wanted = g / np.sqrt(2) / np.array([np.sin(half), np.cos(half), 1.0])
    assert sd == pytest.approx(wanted, rel=1e-9)
    check("point seen by a pair at 30 deg, sd", 1e3 * sd[0], 2.049, RING, abs=5e-4, unit="mm")


@pytest.mark.parametrize(("count", "share"), [(2, 0.5), (4, 0.7906), (8, 0.9014)])
def test_residuals_and_scatter_are_as_expected(check, count: int, share: float) -> None:
    """rms residual a coordinate is s sqrt((2m - 3) / 2m); scatter is the stated covariance."""
    random = np.random.default_rng(count)
    runs = 4000
    # Not a full ring: two cameras face to face would leave their axis undetermined.
    cameras = [look(0.35 * k) for k in range(count)]
    truth = random.uniform(-0.3, 0.3, (runs, 3))
    clean = np.stack([project(c, truth) for c in cameras], axis=1)
    uv = clean + NOISE * random.standard_normal(clean.shape)
    points, covariance = triangulate_many(cameras, uv, np.full(count, NOISE))
    rest = uv - np.stack([project(c, points) for c in cameras], axis=1)
    rms = np.sqrt((rest**2).mean()) / NOISE
    check("rms residual of triangulated points over the noise", rms, share, FREEDOM, rel=0.03)
    off = points - truth
    square = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off)
    assert square.mean() == pytest.approx(3.0, abs=4 * np.sqrt(6 / runs))


def test_bent_images_agree_with_opencv() -> None:
    cameras = [look(0.0, bent=True), look(0.7, bent=True)]
    truth = np.array([[0.2, -0.1, 0.15], [-0.3, 0.2, -0.2]])
    uv = np.stack([project(c, truth) for c in cameras], axis=1)
    points, _ = triangulate_many(cameras, uv, np.full(2, NOISE))
    assert np.abs(points - truth).max() < 1e-9
    flat = [cv2.undistortPoints(uv[:, k, None], INNER, BEND, P=INNER)[:, 0].T for k in range(2)]
    theirs = cv2.triangulatePoints(cameras[0].projection, cameras[1].projection, *flat)
    assert np.abs((theirs[:3] / theirs[3]).T - points).max() < 1e-4


def test_undistort_undoes_the_lens() -> None:
    bent, plain = look(0.0, bent=True), look(0.0)
    points = np.random.default_rng(0).uniform(-0.4, 0.4, (50, 3))
    assert np.abs(undistort(bent, project(bent, points)) - project(plain, points)).max() < 1e-8


def test_what_is_not_determined_is_nan() -> None:
    cameras = [look(0.0), look(0.7), look(0.0)]
    uv = np.array([project(c, [0.1, 0.1, 0.1]) for c in cameras])
    alone = uv.copy()
    alone[1:] = np.nan
    same = uv.copy()
    same[1] = np.nan
    points, covariance = triangulate_many(cameras, [alone, same, uv], np.full(3, NOISE))
    assert np.isnan(points[:2]).all() and np.isinf(covariance[:2]).all()
    assert points[2] == pytest.approx([0.1, 0.1, 0.1], abs=1e-12)


def test_parallel_light_and_a_perspective_view_meet() -> None:
    projection = np.array([[2000.0, 0, 0, 100], [0, 0, -2000.0, 900], [0, 0, 0, 1]])
    cameras = [Camera("p", 2e4, (1024, 1024), projection, Clock(), 0.4), look(0.2, bent=True)]
    truth = np.array([0.2, -0.1, 0.15])
    uv = np.array([project(c, truth) for c in cameras])
    point, _ = one_point(cameras, uv, [0.4, 0.5])
    assert point == pytest.approx(truth, abs=1e-11)
