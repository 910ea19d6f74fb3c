"""Pose and lens from points: the projection and its derivative, coverage, outliers, faults."""

import numpy as np
import pytest

from lashwave.calibrate.pinhole import NAMES, project_points, projection_of
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.pose import calibration_of, fit_camera, fit_pose
from lashwave.instruments import project
from lashwave.quantities.calibration import Calibration
from lashwave.quantities.sightings import Camera, Clock

SIZE = (1280, 1024)
TRUTH = np.array(
    [1500, 1495, 640, 510, -0.21, 0.08, 0.0012, -0.0007, -0.013, 0.3, -0.6, 0.15, 0.1, -0.05, 2.5]
)
LENS_SD = np.array([3.0, 3.0, 2.0, 2.0, 4e-3, 2e-2, 3e-4, 3e-4, 2e-2])


def cloud(count: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.6, 0.6, (count, 3))


def lens(parameters: np.ndarray = TRUTH, known: bool = False) -> Calibration:
    """A calibration of the lens alone; known exactly, or to LENS_SD."""
    names = () if known else NAMES[:9]
    covariance = np.empty((0, 0)) if known else np.diag(LENS_SD**2)
    full = np.concatenate([parameters[:9], np.zeros(6)])
    return calibration_of(full, names, covariance, SIZE)


def camera(calibration: Calibration) -> Camera:
    return Camera(
        "c", 500.0, SIZE, calibration.projection, Clock(), 0.5,
        intrinsics=calibration.intrinsics, distortion=calibration.distortion,
    )  # fmt: skip


def test_the_model_is_that_of_the_instrument() -> None:
    """cv2.projectPoints and instruments.camera agree; its derivative is a difference quotient."""
    points = cloud(40)
    found = calibration_of(TRUTH, NAMES, np.eye(15), SIZE)
    uv, slope = project_points(TRUTH, points)
    assert np.abs(project(camera(found), points) - uv).max() < 1e-9
    assert found.projection == pytest.approx(projection_of(TRUTH))
    for i in range(15):
        step = np.zeros(15)
        step[i] = 1e-6 * max(1.0, abs(TRUTH[i]))
        quotient = project_points(TRUTH + step, points)[0] - project_points(TRUTH - step, points)[0]
        assert slope[:, :, i] == pytest.approx(quotient / (2 * step[i]), rel=1e-5, abs=1e-4)


def test_noise_free_pose_and_camera_are_exact() -> None:
    points = cloud(30)
    uv = project_points(TRUTH, points)[0]
    found = fit_pose(points, uv, lens(known=True))
    assert np.abs(found.residuals).max() < 1e-8
    assert np.concatenate(
        [found.calibration.rotation, found.calibration.translation]
    ) == pytest.approx(TRUTH[9:], abs=1e-9)
    assert found.calibration.degrees_of_freedom == 60 - 6
    points = cloud(120)
    uv = project_points(TRUTH, points)[0]
    full = fit_camera(points, uv, SIZE, distortion=("k1", "k2", "p1", "p2", "k3"))
    assert full.calibration.intrinsics[0, 0] == pytest.approx(1500, abs=1e-4)
    assert full.calibration.distortion == pytest.approx(TRUTH[4:9], abs=1e-6)


@pytest.mark.parametrize("known", [True, False])
def test_the_pose_is_as_well_known_as_stated(known: bool) -> None:
    """Mahalanobis square of the pose over runs that draw the lens as well: mean 6 (chi-square)."""
    random, runs, squares = np.random.default_rng(7), 150, []
    points = cloud(30, 1)
    clean = project_points(TRUTH, points)[0]
    for _ in range(runs):
        seen = clean + 0.4 * random.standard_normal(clean.shape)
        guess = TRUTH.copy()
        if not known:
            guess[:9] += LENS_SD * random.standard_normal(9)
        found = fit_pose(points, seen, lens(guess, known), sd=0.4, robust=False).calibration
        place = [found.parameters.index(n) for n in NAMES[9:]]
        off = np.concatenate([found.rotation, found.translation]) - TRUTH[9:]
        squares.append(off @ np.linalg.solve(found.covariance[np.ix_(place, place)], off))
    assert np.mean(squares) == pytest.approx(6.0, abs=3.3 * np.sqrt(12 / runs))


def test_false_points_are_left_out() -> None:
    random = np.random.default_rng(2)
    points = cloud(40, 5)
    uv = project_points(TRUTH, points)[0] + 0.3 * random.standard_normal((40, 2))
    uv[:10] += random.uniform(10, 300, (10, 2))
    found = fit_pose(points, uv, lens(known=True), sd=0.3)
    assert not found.used[:10].any() and found.used[10:].all()
    assert found.calibration.translation == pytest.approx(TRUTH[12:], abs=3e-3)


def test_points_in_a_plane_give_a_pose_but_no_camera() -> None:
    points = cloud(20)
    points[:, 2] = 0.0
    uv = project_points(TRUTH, points)[0]
    found = fit_pose(points, uv, lens(known=True)).calibration
    assert found.rotation == pytest.approx(TRUTH[9:12], abs=1e-7)
    with pytest.raises(UndeterminedError, match="one plane"):
        fit_camera(points, uv, SIZE)


def test_flat_points_far_off_have_two_poses_and_this_is_said() -> None:
    """A small flat target, seen from far off, looks the same tilted either way."""
    random = np.random.default_rng(4)
    points = cloud(30)
    points[:, 2] = 0.0
    far = TRUTH.copy()
    far[9:] = [0.4, 0.1, 0.0, 0.0, 0.0, 3.0]

    def look(size: float, noise: float):
        uv = project_points(far, size * points)[0] + noise * random.standard_normal((30, 2))
        return fit_pose(size * points, uv, lens(known=True), sd=noise)

    small, large = look(0.15, 1.0), look(1.0, 0.1)
    assert any("fits nearly as well" in text for text in small.warnings)
    assert not any("fits nearly as well" in text for text in large.warnings)
    assert large.calibration.rotation == pytest.approx(far[9:12], abs=2e-3)


def test_faults_are_named() -> None:
    points = cloud(3)
    with pytest.raises(UndeterminedError, match="3 points"):
        fit_pose(points, points[:, :2], lens())
    line = np.outer(np.linspace(0, 1, 10), [1.0, 2.0, 0.5])
    with pytest.raises(UndeterminedError, match="one line"):
        fit_pose(line, project_points(TRUTH, line)[0], lens())
