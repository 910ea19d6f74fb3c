"""A moved camera placed anew: its errors are as large as stated, whatever the place rests on.

Truth and pictures are OpenCV's own projection. Every run draws the noise of the corners, the errors
of all calibrations (with what they share) and that of a stated place; the square of an error by its
stated covariance is then chi-square distributed, and its sum over the runs is held to both ends of
the 99 % band.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

import lashwave.calibrate as anew
from lashwave.calibrate.corners import Corners
from lashwave.calibrate.pinhole import NAMES, rotation_matrix, rotation_vector
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.pose import calibration_of
from lashwave.quantities.calibration import Calibration, SharedErrors
from tests.calibrate.test_wand import LENS_SD, SIZE, rig

NOISE = 0.1
FREE = [i for i, name in enumerate(NAMES) if name != "k3"]
POSE_SD = np.array([1e-3, 1e-3, 1e-3, 2e-3, 2e-3, 2e-3])
ACROSS, DOWN = np.meshgrid(np.arange(8.0), np.arange(5.0))
BOARD = 0.1 * np.stack([ACROSS.ravel(), DOWN.ravel(), np.zeros(40)], axis=1)
AXES = rotation_matrix([1.4, 0.5, 0.3])
ORIGIN = np.array([0.2, 0.6, 0.9])
RUNS = 80


def in_lab(points: np.ndarray) -> np.ndarray:
    return points @ AXES.T + ORIGIN


def seen(full: np.ndarray, points: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Corners as OpenCV projects them, with noise."""
    inner = np.array([[full[0], 0, full[2]], [0, full[1], full[3]], [0, 0, 1.0]])
    uv = cv2.projectPoints(points, full[9:12], full[12:], inner, full[4:9])[0]
    return uv.reshape(-1, 2) + NOISE * random.standard_normal((len(points), 2))


def knocked(full: np.ndarray) -> np.ndarray:
    """A camera turned by 4 degrees and pushed by 30 mm."""
    turn = rotation_matrix([0.05, -0.04, 0.03]) @ rotation_matrix(full[9:12])
    shift = rotation_matrix([0.05, -0.04, 0.03]) @ full[12:] + [0.02, -0.01, 0.02]
    return np.concatenate([full[:9], rotation_vector(turn), shift])


def spread(count: int) -> np.ndarray:
    """Covariance of the lenses and poses of cameras: own errors, and a turn and a shift in common,
    as of floor points that were laid a little off."""
    one = np.concatenate([LENS_SD[:8], 0.3 * POSE_SD])
    whole = np.diag(np.tile(one**2, count))
    common = np.tile(np.concatenate([0.5 * LENS_SD[:8], POSE_SD]), count)
    common = common[:, None] * np.tile(np.eye(14), (count, 1))
    return whole + common @ common.T


def calibrated(truth: np.ndarray, random: np.random.Generator) -> list[Calibration]:
    """Calibrations of one adjustment, off by a draw of their joint covariance."""
    covariance = spread(len(truth))
    off = np.linalg.cholesky(covariance) @ random.standard_normal(len(covariance))
    names = tuple(NAMES[i] for i in FREE)
    blocks = covariance.reshape(len(truth), 14, len(truth), 14).swapaxes(1, 2)
    found = []
    for k, full in enumerate(truth):
        guess = full.copy()
        guess[FREE] += off[14 * k : 14 * k + 14]
        shared = tuple(
            SharedErrors(f"c{j}", names, blocks[k, j]) for j in range(len(truth)) if j != k
        )
        one = calibration_of(guess, names, blocks[k, k], SIZE)
        found.append(replace(one, camera=f"c{k}", adjustment="wand", shared=shared))
    return found


def parameters(c: Calibration) -> np.ndarray:
    inner = c.intrinsics
    lens = [inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *c.distortion]
    return np.concatenate([lens, c.rotation, c.translation])[FREE]


def squares(error: np.ndarray, covariance: np.ndarray) -> float:
    size = np.sqrt(np.diag(covariance))
    unit = error / size
    return float(unit @ np.linalg.solve(covariance / np.outer(size, size), unit))


def in_band(values: list[float], freedom: int) -> None:
    low, high = chi2.ppf([0.005, 0.995], freedom * len(values))
    assert low < sum(values) < high, (sum(values), low, high)


@pytest.mark.parametrize("stand", [1, 3])
def test_the_pose_is_as_well_known_as_stated_among_cameras_that_stand(stand: int) -> None:
    random, truth = np.random.default_rng(stand), rig(stand + 1)
    now = np.concatenate([[knocked(truth[0])], truth[1:]])
    poses, all_of_it, moves = [], [], []
    for _ in range(RUNS):
        before = calibrated(truth, random)
        sights = [Corners(BOARD, seen(full, in_lab(BOARD), random)) for full in now]
        watchers = [anew.Watcher(c, s) for c, s in zip(before[1:], sights[1:], strict=True)]
        place = anew.seen_board(watchers, sd=NOISE)
        found = anew.place_anew(before[0], sights[0], place, watchers, sd=NOISE)
        own = found.camera.calibration
        off = parameters(own) - now[0][FREE]
        others = np.concatenate(
            [parameters(c) - full[FREE] for c, full in zip(before[1:], now[1:], strict=True)]
        )
        assert own.parameters == before[0].parameters
        poses.append(squares(off[8:], own.covariance[8:, 8:]))
        all_of_it.append(squares(np.concatenate([off, others]), found.covariance))
        moves.append([found.turned, found.shifted])
    in_band(poses, 6)
    in_band(all_of_it, 14 * (stand + 1))
    true_turn = rotation_matrix(now[0][9:12]) @ rotation_matrix(truth[0][9:12]).T
    assert np.median(moves, axis=0)[0] == pytest.approx(
        np.linalg.norm(rotation_vector(true_turn)), abs=2e-3
    )


@pytest.mark.parametrize(("turn_sd", "origin_sd"), [(0.0, 0.0), (2e-3, 3e-3)])
def test_the_pose_is_as_well_known_as_stated_by_a_board_of_known_place(
    turn_sd: float, origin_sd: float
) -> None:
    random, truth = np.random.default_rng(5), rig(1)
    now, values = knocked(truth[0]), []
    for _ in range(RUNS):
        before = calibrated(truth, random)[0]
        axes = rotation_matrix(turn_sd * random.standard_normal(3)) @ AXES
        origin = ORIGIN + origin_sd * random.standard_normal(3)
        place = anew.known_board(origin, axes, turn_sd, origin_sd)
        corners = Corners(BOARD, seen(now, in_lab(BOARD), random))
        own = anew.place_anew(before, corners, place).camera.calibration
        values.append(squares(parameters(own) - now[FREE], own.covariance))
    in_band(values, 14)


@pytest.mark.parametrize("points_sd", [0.0, 2e-3])
def test_the_pose_is_as_well_known_as_stated_by_points_of_known_place(points_sd: float) -> None:
    random, truth = np.random.default_rng(6), rig(1)
    now, values = knocked(truth[0]), []
    # Some near, some far: what an error in space does to the picture differs by half.
    points = np.array([0.4, 0.4, 0.8]) + np.random.default_rng(1).uniform(-1.2, 1.2, (9, 3))
    for _ in range(RUNS):
        before = calibrated(truth, random)[0]
        stated = points + points_sd * random.standard_normal(points.shape)
        uv = seen(now, points, random)
        own = anew.place_by_points(before, stated, uv, points_sd=points_sd, sd=NOISE)
        c = own.camera.calibration
        values.append(squares(parameters(c) - now[FREE], c.covariance))
    in_band(values, 14)


def test_without_errors_the_pose_is_exact_and_the_lens_is_kept() -> None:
    random, truth = np.random.default_rng(8), rig(3)
    now = knocked(truth[0])
    exact = [replace(c, **vars(calibration_of(full, c.parameters, c.covariance, SIZE)))
             for c, full in zip(calibrated(truth, random), truth, strict=True)]  # fmt: skip
    clean = [Corners(BOARD, seen(f, in_lab(BOARD), _Still())) for f in (now, *truth[1:])]
    watchers = [anew.Watcher(c, s) for c, s in zip(exact[1:], clean[1:], strict=True)]
    place = anew.seen_board(watchers)
    assert place.origin == pytest.approx(ORIGIN, abs=1e-9)
    assert place.axes == pytest.approx(AXES, abs=1e-9)
    found = anew.place_anew(exact[0], clean[0], place, watchers)
    own = found.camera.calibration
    assert parameters(own)[8:] == pytest.approx(now[9:], abs=1e-8)
    assert (own.intrinsics == exact[0].intrinsics).all()
    assert (own.distortion == exact[0].distortion).all()
    centre = -rotation_matrix(now[9:12]).T @ now[12:]
    was = -rotation_matrix(truth[0][9:12]).T @ truth[0][12:]
    assert found.shifted == pytest.approx(np.linalg.norm(centre - was), abs=1e-8)


def test_a_second_moved_camera_is_said_and_widens_what_is_stated() -> None:
    random, truth = np.random.default_rng(9), rig(3)
    now = np.array([knocked(truth[0]), truth[1], knocked(truth[2])])
    before = calibrated(truth, random)
    sights = [Corners(BOARD, seen(full, in_lab(BOARD), random)) for full in now]
    watchers = [anew.Watcher(c, s) for c, s in zip(before[1:], sights[1:], strict=True)]
    place = anew.seen_board(watchers, sd=NOISE)
    assert "was one of them moved too" in place.warnings[0]
    alone = anew.seen_board(watchers[:1], sd=NOISE)
    assert not any("moved too" in text for text in alone.warnings)
    assert "one camera alone" in alone.warnings[-1]
    assert np.trace(place.noise) > 100.0 * np.trace(alone.noise)


def test_a_board_that_no_camera_sees_has_no_place() -> None:
    before = calibrated(rig(2), np.random.default_rng(1))
    with pytest.raises(UndeterminedError, match="no camera that stands sees the board"):
        anew.seen_board([anew.Watcher(before[1], None)])


class _Still:
    def standard_normal(self, shape: tuple[int, ...]) -> np.ndarray:
        return np.zeros(shape)
