"""A wand among cameras: recovered poses, coverage, outliers, frame of reference, faults."""

import time

import numpy as np
import pytest
from scipy.stats import chi2

from lashwave.calibrate.pinhole import NAMES, project_points, rotation_vector
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.pose import calibration_of
from lashwave.calibrate.wand import WandFit, calibrate_wand
from lashwave.calibrate.wand_rows import KnownPoints, Wand
from lashwave.instruments import project
from lashwave.quantities.calibration import Calibration
from lashwave.quantities.sightings import Camera, Clock

SIZE = (1280, 1024)
LENS = np.array([1400.0, 1402, 640, 510, -0.15, 0.05, 0.0005, -0.0004, 0.0])
LENS_SD = np.array([2.0, 2.0, 1.5, 1.5, 2e-3, 1e-2, 2e-4, 2e-4, 0.0])
FLOOR = np.array([[0, 0, 0], [0.8, 0, 0], [0, 0.7, 0], [0.8, 0.7, 0], [0.4, 0.3, 0.0]])


def rig(count: int = 4) -> np.ndarray:
    """(C, 15) cameras on an arc about (0.4, 0.4, 0.8), 3.5 m off and above."""
    found = []
    for k in range(count):
        angle = 0.75 * k
        eye = np.array([0.4, 0.4, 0.8]) + 3.5 * np.array(
            [np.cos(angle), np.sin(angle), 0.25 + 0.1 * k]
        )
        ahead = np.array([0.4, 0.4, 0.8]) - eye
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        turn = np.stack([right, np.cross(ahead, right), ahead])
        found.append(np.concatenate([LENS, rotation_vector(turn), -turn @ eye]))
    return np.array(found)


def waved(frames: int, wand: Wand, seed: int = 0) -> np.ndarray:
    """(F, D, 3) dots of a wand in all places and directions of the volume."""
    random = np.random.default_rng(seed)
    middle = np.array([0.4, 0.4, 0.8]) + random.uniform(-0.6, 0.6, (frames, 3))
    along = random.standard_normal((frames, 3))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    offset = wand.places - wand.places.mean()
    return middle[:, None] + offset[None, :, None] * along[:, None]


def seen(full: np.ndarray, points: np.ndarray, noise: float, random) -> np.ndarray:
    """(C, ..., 2) image points; nan outside the sensor."""
    uv = np.stack([project_points(x, points.reshape(-1, 3))[0] for x in full])
    uv = uv.reshape(len(full), *points.shape[:-1], 2) + noise * random.standard_normal(
        (len(full), *points.shape[:-1], 2)
    )
    inside = ((uv > 0) & (uv < np.array(SIZE))).all(axis=-1)
    return np.where(inside[..., None], uv, np.nan)


def lens(random=None) -> Calibration:
    """What a board would say: exact without a generator, else drawn."""
    if random is None:
        return calibration_of(np.append(LENS, np.zeros(6)), (), np.empty((0, 0)), SIZE)
    guess = np.append(LENS + LENS_SD * random.standard_normal(9), np.zeros(6))
    return calibration_of(guess, NAMES[:8], np.diag(LENS_SD[:8] ** 2), SIZE)


def places(fit: WandFit) -> np.ndarray:
    """(C, 3) of the cameras in the lab."""
    return np.array([place_of(c.calibration) for c in fit.cameras])


def place_of(c: Calibration) -> np.ndarray:
    turn = c.projection[:, :3]
    return -np.linalg.solve(turn, c.projection[:, 3])


def true_places(full: np.ndarray) -> np.ndarray:
    return np.array([place_of(calibration_of(x, (), np.empty((0, 0)), SIZE)) for x in full])


@pytest.mark.parametrize("dots", [(0.0, 0.5), (0.0, 0.15, 0.5)], ids=["two", "three"])
def test_no_noise_no_error(dots: tuple[float, ...]) -> None:
    random, full, wand = np.random.default_rng(0), rig(), Wand(np.array(dots))
    known = KnownPoints(FLOOR, 1e-4, seen(full, FLOOR, 0.0, random))
    uv = seen(full, waved(80, wand), 0.0, random)
    fit = calibrate_wand([lens()] * 4, uv, wand, known=known, sd=0.3)
    assert np.abs(places(fit) - true_places(full)).max() < 1e-6
    assert fit.length == pytest.approx(0.5, abs=1e-7)


def test_a_few_hundred_frames_take_seconds_and_the_volume_is_right() -> None:
    random, full = np.random.default_rng(1), rig()
    wand = Wand(np.array([0.0, 0.5]), 1e-4)
    known = KnownPoints(FLOOR, 5e-4, seen(full, FLOOR, 0.3, random))
    points = waved(400, wand)
    uv = seen(full, points, 0.3, random)
    begin = time.perf_counter()
    fit = calibrate_wand([lens(random) for _ in range(4)], uv, wand, known=known, sd=0.3)
    assert time.perf_counter() - begin < 20.0  # some 2 s where nothing else runs
    c = fit.cameras[2].calibration
    assert c.reprojection_sd == pytest.approx(0.3, rel=0.05)
    assert fit.length == pytest.approx(0.5, abs=1.5e-4)
    camera = Camera(
        "c", 500.0, SIZE, c.projection, Clock(), 0.3,
        intrinsics=c.intrinsics, distortion=c.distortion,
    )  # fmt: skip
    clean = project_points(full[2], points.reshape(-1, 3))[0]
    inside = ((clean > 0) & (clean < np.array(SIZE))).all(axis=1)
    off = (project(camera, points.reshape(-1, 3)) - clean)[inside]
    # The frame of reference is known to 0.5 mm / sqrt(5), some 0.1 px; the sd says how well.
    assert np.sqrt((off**2).mean()) < 3.0 * c.registration_sd < 1.0


@pytest.mark.parametrize("posed", [True, False])
def test_the_cameras_are_as_well_known_as_stated(posed: bool) -> None:
    """Mahalanobis square of the last camera's pose over runs that draw lenses, points and length
    too: mean 6 (chi-square). Without known points the first camera is the frame."""
    runs, squares, full = 20, [], rig(3)
    for run in range(runs):
        random = np.random.default_rng(100 + run)
        wand, spots = (
            Wand(np.array([0.0, 0.5]), 5e-4),
            FLOOR + 5e-4 * random.standard_normal((5, 3)),
        )
        true_wand = Wand(np.array([0.0, 0.5 + 5e-4 * random.standard_normal()]))
        known = KnownPoints(spots, 5e-4, seen(full, FLOOR, 0.3, random)) if posed else None
        uv = seen(full, waved(100, true_wand, run), 0.3, random)
        fit = calibrate_wand([lens(random) for _ in range(3)], uv, wand, known=known, sd=0.3)
        c = fit.cameras[2].calibration
        truth = full[2] if posed else relative(full[2], full[0])
        off = np.concatenate([c.rotation, c.translation]) - truth[9:]
        place = [c.parameters.index(n) for n in NAMES[9:]]
        squares.append(off @ np.linalg.solve(c.covariance[np.ix_(place, place)], off))
    assert np.mean(squares) == pytest.approx(6.0, abs=3.3 * np.sqrt(12 / runs))


def pose_square(seed: int, cameras: int = 3) -> float:
    """Square of the errors of all poses over their common covariance, 6 degrees a camera."""
    random, full = np.random.default_rng(seed), rig(cameras)
    spots = FLOOR + 5e-4 * random.standard_normal((5, 3))
    true_wand = Wand(np.array([0.0, 0.5 + 5e-4 * random.standard_normal()]))
    known = KnownPoints(spots, 5e-4, seen(full, FLOOR, 0.3, random))
    uv = seen(full, waved(60, true_wand, seed), 0.3, random)
    wand = Wand(np.array([0.0, 0.5]), 5e-4)
    fit = calibrate_wand([lens(random) for _ in full], uv, wand, known=known, sd=0.3)
    poses = [np.concatenate([c.calibration.rotation, c.calibration.translation])
             for c in fit.cameras]  # fmt: skip
    off = np.concatenate(poses) - full[:, 9:].ravel()
    names = [name for own in fit.parameters for name in own]
    place = [k for k, name in enumerate(names) if name in NAMES[9:]]
    return float(off @ np.linalg.solve(fit.covariance[np.ix_(place, place)], off))


def test_all_cameras_together_are_as_well_known_as_stated() -> None:
    """Three cameras' poses by their common covariance: pooled, in the 99 % band on both sides."""
    squares = [pose_square(500 + run) for run in range(12)]
    low, high = chi2.ppf([0.005, 0.995], 18 * len(squares))
    assert low < np.sum(squares) < high


def relative(full: np.ndarray, base: np.ndarray) -> np.ndarray:
    """The same camera in the axes of another."""
    from lashwave.calibrate.pinhole import rotation_matrix

    turn = rotation_matrix(full[9:12]) @ rotation_matrix(base[9:12]).T
    return np.concatenate([full[:9], rotation_vector(turn), full[12:15] - turn @ base[12:15]])


def test_false_dots_are_left_out() -> None:
    random, full, wand = np.random.default_rng(3), rig(), Wand(np.array([0.0, 0.5]), 1e-4)
    uv = seen(full, waved(200, wand), 0.3, random)
    wrong = random.random(uv.shape[:3]) < 0.03
    uv[wrong] += random.uniform(10, 300, (int(wrong.sum()), 2))
    known = KnownPoints(FLOOR, 5e-4, seen(full, FLOOR, 0.3, random))
    fit = calibrate_wand([lens()] * 4, uv, wand, known=known, sd=0.3)
    assert np.abs(places(fit) - true_places(full)).max() < 4e-3
    assert fit.cameras[0].calibration.reprojection_sd == pytest.approx(0.3, rel=0.1)


def test_faults_are_named() -> None:
    random, full, wand = np.random.default_rng(4), rig(), Wand(np.array([0.0, 0.5]))
    uv = seen(full, waved(60, wand), 0.3, random)
    with pytest.raises(UndeterminedError, match="one camera"):
        calibrate_wand([lens()], uv[:1], wand)
    apart = uv.copy()
    apart[3] = np.nan
    with pytest.raises(UndeterminedError, match="camera 4 shares 0 dots"):
        calibrate_wand([lens()] * 4, apart, wand)
    known = KnownPoints(FLOOR[:2], 1e-3, seen(full, FLOOR[:2], 0.3, random))
    with pytest.raises(UndeterminedError, match="known points"):
        calibrate_wand([lens()] * 4, uv, wand, known=known)
    late = uv.copy()
    late[1] = np.roll(uv[1], 7, axis=0)
    late[2] = np.roll(uv[2], 19, axis=0)
    late[3] = np.roll(uv[3], 31, axis=0)
    with pytest.raises(UndeterminedError, match="synchronous"):
        calibrate_wand([lens()] * 4, late, wand)
    line = np.outer(np.linspace(0, 1, 4), [0.8, 0.7, 0.0])
    known = KnownPoints(line, 1e-3, seen(full, line, 0.3, random))
    with pytest.raises(UndeterminedError, match="on one line"):
        calibrate_wand([lens()] * 4, uv, wand, known=known)
