"""Lens from a board: rendered images with a known lens, coverage by simulation, OpenCV's own sd."""

import cv2
import numpy as np
import pytest

from lashwave.calibrate.board import Placed, calibrate_board
from lashwave.calibrate.corners import Board, Corners, find_corners, grey8
from lashwave.calibrate.pinhole import LENS, project_points, rotation_matrix
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.instruments import project
from lashwave.quantities.sightings import Camera, Clock
from tests.calibrate.board_images import poses, rays, render

SIZE = (480, 360)
LENS_TRUE = np.array([675.0, 679.0, 242.0, 177.0, -0.18, 0.06, 0.001, -0.0008, 0.0])
FULL = np.concatenate([LENS_TRUE, np.zeros(6)])
SMOOTH = ("k1", "k2", "p1", "p2")
CHESS = Board(9, 6, 0.04)
CODED = Board(9, 7, 0.04, 0.03)


def grid(board: Board = CHESS) -> np.ndarray:
    a, b = np.meshgrid(np.arange(board.columns - 1), np.arange(board.rows - 1))
    return np.stack([a.ravel(), b.ravel(), 0 * a.ravel()], axis=1) * board.square


def invented(
    count: int, noise: float, random: np.random.Generator, full: np.ndarray = FULL
) -> list[Corners]:
    """Corners without images."""
    points = grid()
    found = []
    for pose in poses(CHESS, count, np.random.default_rng(1)):
        uv = project_points([*full[:9], *pose], points)[0]
        found.append(Corners(points, uv + noise * random.standard_normal(uv.shape)))
    return found


@pytest.fixture(scope="module")
def slopes() -> np.ndarray:
    return rays(FULL, SIZE)


@pytest.mark.parametrize("board", [CHESS, CODED], ids=["chessboard", "coded"])
def test_a_rendered_board_gives_the_lens(board: Board, slopes: np.ndarray) -> None:
    random = np.random.default_rng(3)
    found = []
    for pose in poses(board, 8, np.random.default_rng(1)):
        corners = find_corners(render(board, slopes, pose, 0.01, random), board)
        if corners is not None:
            found.append(corners)
    assert len(found) >= 6
    answer = calibrate_board(found, SIZE, distortion=SMOOTH).calibration
    lens = np.array([*answer.intrinsics[[0, 1, 0, 1], [0, 1, 2, 2]], *answer.distortion])
    sd = np.array([answer.sd(n) for n in LENS[:8]])
    assert (np.abs(lens - LENS_TRUE)[:8] < 3.0 * sd).all()
    assert answer.sd("fx") < 2.0 and answer.reprojection_sd < 0.1


@pytest.mark.parametrize("turned", np.radians([0, 50, 90, 180, 270, 320]))
def test_the_first_corner_is_where_the_documents_say(turned: float, slopes: np.ndarray) -> None:
    """A chessboard, odd across and even down, has its origin at the top left inner corner when its
    light corner squares are on top; a coded one at its printed top left; however it is held."""
    random = np.random.default_rng(4)
    # The renderer's own chessboard has its dark corner squares on top.
    for board in (CHESS, CODED):
        middle = 0.5 * np.array([board.columns - 2, board.rows - 2, 0]) * board.square
        turn = np.array([0.15, 0.1, 0.0]) if turned == 0 else np.array([0.0, 0.0, turned])
        pose = np.array([*turn, *([0, 0, 1.1] - rotation_matrix(turn) @ middle)])
        corners = find_corners(render(board, slopes, pose, 0.005, random), board)
        last = np.array([7, 4, 0]) * board.square
        points = last - corners.points if board is CHESS else corners.points
        wanted = project_points([*LENS_TRUE, *pose], points)[0]
        assert len(points) >= 30 and np.abs(corners.uv - wanted).max() < 0.5


def test_sd_agrees_with_the_librarys_own() -> None:
    """cv2.calibrateCameraExtended gives the sd of each intrinsic parameter, also from s^2 (J'J)^-1;
    its s^2 divides by the residuals less the parameters."""
    boards = invented(12, 0.2, np.random.default_rng(5))
    ours = calibrate_board(boards, SIZE).calibration
    out = cv2.calibrateCameraExtended(
        [b.points.astype(np.float32) for b in boards],
        [b.uv.astype(np.float32)[:, None] for b in boards],
        SIZE, None, None,
    )  # fmt: skip
    inner, theirs = out[1], np.ravel(out[5])
    assert ours.intrinsics == pytest.approx(inner, rel=1e-4)
    sd = np.array([ours.sd(n) for n in LENS])
    assert sd == pytest.approx(theirs[:9], rel=0.02)
    rms = ours.reprojection_sd * np.sqrt(2 * ours.degrees_of_freedom / (2 * ours.points))
    assert rms == pytest.approx(out[0], rel=1e-3)  # of points, not of coordinates


def test_intervals_of_the_lens_cover_it() -> None:
    """Mahalanobis square of 8 lens parameters: mean 8 over independent runs."""
    random, runs, squares, focal = np.random.default_rng(6), 80, [], 0
    for _ in range(runs):
        found = calibrate_board(invented(10, 0.15, random), SIZE, distortion=SMOOTH, sd=0.15)
        c = found.calibration
        lens = np.array([*c.intrinsics[[0, 1, 0, 1], [0, 1, 2, 2]], *c.distortion[:4]])
        off = lens - LENS_TRUE[:8]
        squares.append(off @ np.linalg.solve(c.covariance, off))
        focal += abs(off[0]) < 1.96 * c.sd("fx")
    assert np.mean(squares) == pytest.approx(8.0, abs=3.3 * np.sqrt(16 / runs))
    assert focal >= 69  # of 80 at 95 %: binomial, 99.9 %


def test_a_placed_board_gives_the_pose_with_its_covariance() -> None:
    """The board of one image lies at a known place; the projection is then in the lab."""
    random, runs, squares = np.random.default_rng(7), 60, []
    turn = rotation_matrix([0.4, 0.2, 1.0])
    placed = Placed(3, np.array([0.5, -0.2, 1.0]), turn)
    truth = poses(CHESS, 10, np.random.default_rng(1))[3]
    for _ in range(runs):
        boards = invented(10, 0.15, random)
        c = calibrate_board(boards, SIZE, distortion=SMOOTH, sd=0.15, placed=placed).calibration
        assert c.parameters[8:] == ("rx", "ry", "rz", "tx", "ty", "tz")
        lab = grid() @ turn.T + placed.origin
        camera = Camera(
            "c", 500.0, SIZE, c.projection, Clock(), 0.15,
            intrinsics=c.intrinsics, distortion=c.distortion,
        )  # fmt: skip
        clean = project_points([*LENS_TRUE, *truth], grid())[0]
        assert np.abs(project(camera, lab) - clean).max() < 0.5
        wanted = rotation_matrix(truth[:3]) @ turn.T
        shift = truth[3:] - wanted @ placed.origin
        off = c.translation - shift
        squares.append(off @ np.linalg.solve(c.covariance[11:, 11:], off))
    assert np.mean(squares) == pytest.approx(3.0, abs=3.3 * np.sqrt(6 / runs))


def test_a_wrong_image_and_wrong_corners_are_left_out() -> None:
    random = np.random.default_rng(8)
    boards = invented(12, 0.1, random)
    boards[4].uv[:] += random.uniform(-30, 30, boards[4].uv.shape)
    boards[7].uv[3] += [6.0, -4.0]
    found = calibrate_board(boards, SIZE, distortion=SMOOTH)
    assert found.calibration.images == 11
    assert (~found.used).sum() == 1
    assert any("1 images fit far worse" in text for text in found.warnings)
    assert found.calibration.intrinsics[0, 0] == pytest.approx(675.0, abs=4.0)


def test_boards_that_say_too_little() -> None:
    random = np.random.default_rng(9)
    with pytest.raises(UndeterminedError, match="2 images"):
        calibrate_board(invented(2, 0.1, random), SIZE)
    points, flat = grid(), []
    for k in range(6):  # all square to the view: the focal length cannot be told from distance
        uv = project_points([*LENS_TRUE, 0, 0, 0, -0.16 + 0.02 * k, -0.1, 0.8], points)[0]
        flat.append(Corners(points, uv + 0.1 * random.standard_normal(uv.shape)))
    with pytest.raises(UndeterminedError, match="focal length is known to 999 %"):
        calibrate_board(flat, SIZE, distortion=("k1",))


def test_sixteen_bits_are_stretched_to_eight() -> None:
    image = np.linspace(1000, 3000, 10000).reshape(100, 100).astype(np.uint16)
    grey = grey8(image)
    assert grey.dtype == np.uint8 and grey.min() == 0 and grey.max() == 255
    assert find_corners(image, CHESS) is None and find_corners(image, CODED) is None
