"""A knocked camera placed anew by `lashwave calibrate`: from pictures of a board to files.

Pictures are rendered by `tests/calibrate/board_images`, ray by ray through OpenCV's lens.
"""

# ruff: noqa: E501 - one fault a line reads best
from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.calibrate import Board
from lashwave.calibrate.pinhole import NAMES, project_points, rotation_matrix, rotation_vector
from lashwave.calibrate.pose import calibration_of
from lashwave.files.calibration_toml import read_calibration, write_calibration
from lashwave.files.source import Folder
from lashwave.quantities.calibration import Calibration, joint_covariance
from lashwave.workbench.calibrate_wand import sharing
from lashwave.workbench.cli import main
from tests.calibrate.board_images import rays, render

SIZE = (640, 480)
LENS = np.array([700.0, 702.0, 322.0, 238.0, -0.12, 0.05, 3e-4, -4e-4, 0.0])
LENS_SD = np.array([0.5, 0.5, 0.4, 0.4, 5e-4, 2e-3, 5e-5, 5e-5])
POSE_SD = np.array([2e-4, 2e-4, 2e-4, 4e-4, 4e-4, 4e-4])
BOARD = Board(9, 6, 0.06)
AXES = rotation_matrix([-1.3, 0.2, 0.1])
ORIGIN = np.array([-0.2, 0.05, 1.1])
PLAN = """kind = "moved"
[camera]
name = "left"
lens = "left.toml"
[moved]
picture = "after-left.png"
pattern = "chessboard"
squares = [9, 6]
square = "60 mm"
"""
OTHERS = """[[cameras]]
name = "front"
lens = "front.toml"
picture = "after-front.png"
[[cameras]]
name = "right"
lens = "right.toml"
picture = "after-right.png"
"""
STATED = """origin = {origin}
x_axis = {x}
y_axis = {y}
"""


def cameras() -> dict[str, np.ndarray]:
    """Three cameras 2 m from the board, about it."""
    found = {}
    for name, place in (
        ("left", (-1.2, -1.7, 1.2)),
        ("front", (0.1, -2.0, 1.5)),
        ("right", (1.2, -1.5, 0.8)),
    ):
        ahead = np.array([0.0, 0.05, 0.95]) - place
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        turn = np.stack([right, np.cross(ahead, right), ahead])
        found[name] = np.concatenate([LENS, rotation_vector(turn), -turn @ place])
    return found


def knocked(full: np.ndarray) -> np.ndarray:
    turn = rotation_matrix([0.02, -0.03, 0.015])
    pose = [
        *rotation_vector(turn @ rotation_matrix(full[9:12])),
        *(turn @ full[12:] + [0.01, 0.0, 0.01]),
    ]
    return np.concatenate([full[:9], pose])


def picture(path: Path, full: np.ndarray, seed: int, board: Board = BOARD) -> None:
    turn = rotation_matrix(full[9:12])
    pose = np.concatenate([rotation_vector(turn @ AXES), turn @ ORIGIN + full[12:]])
    image = render(board, rays(full, SIZE), pose, 0.01, np.random.default_rng(seed))
    cv2.imwrite(str(path), image)


def read(folder: Path, name: str) -> Calibration:
    return read_calibration(Folder(folder), name, "test", None, "calibration")


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Calibrations of one wand, off by a draw, and a picture of each camera after the knock."""
    folder = tmp_path_factory.mktemp("room")
    random, truth = np.random.default_rng(2), cameras()
    one = np.concatenate([LENS_SD, POSE_SD])
    covariance = np.diag(np.tile(one**2, 3)) + 0.5 * np.kron(np.ones((3, 3)), np.diag(one**2))
    off = np.linalg.cholesky(covariance) @ random.standard_normal(42)
    found = []
    for k, (name, full) in enumerate(truth.items()):
        guess = full.copy()
        guess[[*range(8), *range(9, 15)]] += off[14 * k : 14 * k + 14]
        own = covariance[14 * k : 14 * k + 14, 14 * k : 14 * k + 14]
        names = tuple(n for n in NAMES if n != "k3")
        found.append(replace(calibration_of(guess, names, own, SIZE), camera=name))
    for c in sharing(found, covariance):
        write_calibration(folder / f"{c.camera}.toml", c, {})
    picture(folder / "after-left.png", knocked(truth["left"]), 5)
    for seed, name in enumerate(("front", "right")):
        picture(folder / f"after-{name}.png", truth[name], seed)
    return folder


def run(folder: Path, plan: str, *more: str) -> int:
    (folder / "plan.toml").write_text(plan)
    return main(["calibrate", str(folder / "plan.toml"), "--out", str(folder / "new.toml"), *more])


def stated() -> str:
    """The board's place, its light corners on top: the painted one has them at the end of y."""
    far = ORIGIN + AXES @ [7 * BOARD.square, 4 * BOARD.square, 0.0]
    return STATED.format(origin=far.tolist(), x=(-AXES[:, 0]).tolist(), y=(-AXES[:, 1]).tolist())


def square(c: Calibration) -> float:
    """Of the pose's error by its stated covariance."""
    off = np.concatenate([c.rotation, c.translation]) - knocked(cameras()["left"])[9:]
    own = c.covariance[-6:, -6:]
    return float(off @ np.linalg.solve(own, off))


def test_one_picture_beside_two_cameras_that_stand_places_it(room: Path, capsys) -> None:
    assert run(room, PLAN + OTHERS, "--json") == 0
    said = json.loads(capsys.readouterr().out)
    new, before = read(room, "new-left.toml"), read(room, "left.toml")
    assert (new.intrinsics == before.intrinsics).all()
    assert (new.distortion == before.distortion).all()
    assert 0.5 < square(new) < 22.5  # chi-square of six: 99.9 % to either side
    # 0.6 px of the lens's centre, at 700 px and 2 m, is a turn of 0.8 mrad and a shift of 1.7 mm.
    assert 4e-4 < new.sd("rx") < 3e-3 and 8e-4 < new.sd("tx") < 4e-3
    points = np.random.default_rng(1).uniform([-0.3, -0.2, 0.8], [0.3, 0.2, 1.2], (30, 3))
    true = project_points(knocked(cameras()["left"]), points)[0]
    lens = [new.intrinsics[0, 0], new.intrinsics[1, 1], *new.intrinsics[:2, 2], *new.distortion]
    off = project_points([*lens, *new.rotation, *new.translation], points)[0] - true
    assert np.sqrt(np.mean(off**2)) < 3.0 * new.registration_sd < 1.5
    assert said["facts"]["turned since"]["value"] == pytest.approx(
        np.degrees(np.linalg.norm([0.02, -0.03, 0.015])), abs=0.1
    )
    for name in ("front", "right"):
        kept, was = read(room, f"new-{name}.toml"), read(room, f"{name}.toml")
        for key in (
            "projection",
            "intrinsics",
            "distortion",
            "rotation",
            "translation",
            "covariance",
        ):
            assert (getattr(kept, key) == getattr(was, key)).all(), key
    together = [read(room, f"new-{name}.toml") for name in ("left", "front", "right")]
    whole = joint_covariance(together)
    assert np.abs(whole[:14, 14:]).max() > 0.0
    size = np.sqrt(np.diag(whole))
    assert np.linalg.eigvalsh(whole / np.outer(size, size))[0] > 0.0
    # What those that stand share with one another is as it was.
    was = joint_covariance([read(room, f"{name}.toml") for name in ("front", "right")])
    assert whole[14:, 14:] == pytest.approx(was, abs=0.0)


def test_a_trial_takes_the_files_as_of_one_adjustment(room: Path, capsys) -> None:
    assert run(room, PLAN + OTHERS) == 0
    said = capsys.readouterr().out
    assert "front is as it was" in said and "turned since" in said
    names = {read(room, f"new-{name}.toml").adjustment for name in ("left", "front", "right")}
    assert len(names) == 1 and names != {read(room, "front.toml").adjustment}


def test_a_camera_that_does_not_see_the_board_keeps_what_it_shares(room: Path) -> None:
    blind = OTHERS.replace('picture = "after-right.png"\n', "")
    assert run(room, PLAN + blind) == 0
    whole = joint_covariance([read(room, f"new-{n}.toml") for n in ("front", "right")])
    was = joint_covariance([read(room, f"{n}.toml") for n in ("front", "right")])
    assert whole == pytest.approx(was, abs=0.0) and np.abs(whole[:14, 14:]).max() > 0.0


def test_a_board_of_known_place_needs_no_other_camera(room: Path) -> None:
    assert run(room, PLAN + stated()) == 0
    exact = read(room, "new.toml")
    assert exact.adjustment == "" and 0.5 < square(exact) < 22.5
    assert run(room, PLAN + stated() + 'origin_sd = "20 mm"\nturn_sd = "1 deg"\n') == 0
    loose = read(room, "new.toml")
    # Turned about the board's corner by 1 degree either way, the camera turns by as much.
    assert loose.sd("rx") == pytest.approx(np.radians(1.0), rel=0.3)
    assert loose.sd("tx") > 0.02 > 5.0 * exact.sd("tx")


def test_a_camera_that_was_not_moved_is_said_to_stand(room: Path, capsys) -> None:
    plan = PLAN.replace("left", "front").replace("after-front", "after-front") + OTHERS.replace(
        "front", "left"
    ).replace("after-left", "after-left")
    lone = plan.split("[[cameras]]\n")
    assert run(room, lone[0] + "[[cameras]]\n" + lone[2]) == 0
    assert "front stands where it was calibrated" in capsys.readouterr().out
    assert run(room, PLAN + OTHERS) == 0
    assert "stands where it was" not in capsys.readouterr().out


def test_known_points_place_it_as_well(room: Path, capsys) -> None:
    points = np.random.default_rng(4).uniform([-0.4, -0.2, 0.6], [0.4, 0.3, 1.3], (6, 3))
    uv = project_points(knocked(cameras()["left"]), points)[0]
    known = [f"P{i},{p[0]:.9f},{p[1]:.9f},{p[2]:.9f}" for i, p in enumerate(points)]
    seen = [f"P{i},{u:.6f},{v:.6f}" for i, (u, v) in enumerate(uv)]
    (room / "known.csv").write_text("\n".join(["point,x [m],y [m],z [m]", *known]) + "\n")
    (room / "seen.csv").write_text("\n".join(["point,u [px],v [px]", *seen]) + "\n")
    head = PLAN.split("[moved]")[0]
    assert (
        run(
            room,
            'sd = "0.2 px"\n'
            + head
            + '[moved]\nknown = "known.csv"\nseen = "seen.csv"\nknown_sd = "1 mm"\n',
        )
        == 0
    )
    found = read(room, "new.toml")
    assert square(found) < 22.5 and 2e-4 < found.sd("tx") < 5e-3
    capsys.readouterr()
    assert (
        run(room, head + '[moved]\nknown = "known.csv"\nseen = "seen.csv"\nknown_sd = "1 mm"\n')
        == 2
    )
    assert "sd: is missing, and known_sd needs it" in capsys.readouterr().err


FAULTS = {
    "no board": (PLAN.replace("after-left.png", "bare.png") + OTHERS, "moved.picture: of camera left shows no board of 9 x 6 squares"),
    "another pattern": (PLAN.replace("[9, 6]", "[7, 6]") + OTHERS, "shows a board of 9 x 6 squares, not of 7 x 6 squares"),
    "two ways round": (PLAN.replace("[9, 6]", "[8, 6]") + OTHERS, "do not tell which way round"),
    "unseen by one that stands": (PLAN + OTHERS.replace("after-right.png", "bare.png"), "cameras[1].picture: of camera right shows no board"),
    "nobody says where": (PLAN, "no camera that stands sees the board"),
    "all blind": (PLAN + OTHERS.replace('picture = "after-front.png"\n', "").replace('picture = "after-right.png"\n', ""), "no camera that stands sees the board"),
    "said twice": (PLAN + stated() + OTHERS, "stands beside cameras that tell where the board lies"),
    "two pictures": (PLAN.replace("after-left.png", "after-*.png") + OTHERS, "names 3 pictures"),
    "no lens": (PLAN.replace('lens = "left.toml"', "size = [640, 480]") + OTHERS, "camera.lens: is missing, and it is kept"),
    "no pose": (PLAN + OTHERS.replace("front.toml", "bare.toml"), "names a calibration without a pose"),
    "one name twice": (PLAN + OTHERS.replace('"front"', '"left"'), "'left' names two cameras"),
    "mirrored": (PLAN.replace('"left.toml"', '"left.toml"\nmirrored = true') + OTHERS, "mirrored: is not as left.toml has it; write mirrored = false"),
    "board and points": (PLAN + 'known = "known.csv"\n', "stands beside points"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_what_is_wrong_is_said_in_one_line_and_nothing_is_written(
    name: str, room: Path, tmp_path: Path, capsys
) -> None:
    plan, text = FAULTS[name]
    cv2.imwrite(str(room / "bare.png"), np.full((480, 640), 30000, np.uint16))
    bare = replace(
        read(room, "front.toml"),
        rotation=None,
        translation=None,
        parameters=(),
        covariance=np.empty((0, 0)),
        adjustment="",
        shared=(),
    )
    write_calibration(room / "bare.toml", bare, {})
    (room / "plan.toml").write_text(plan)
    assert main(["calibrate", str(room / "plan.toml"), "--out", str(tmp_path / "new.toml")]) == 2
    said = capsys.readouterr().err
    assert text in said and said.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_picture_in_a_mirror_is_told(room: Path, capsys) -> None:
    image = cv2.imread(str(room / "after-left.png"), cv2.IMREAD_UNCHANGED)
    cv2.imwrite(str(room / "turned.png"), image[:, ::-1])
    coded = PLAN.replace('"chessboard"', '"charuco"') + 'marker = "40 mm"\ndictionary = "5x5_100"\n'
    board = Board(9, 6, 0.06, 0.04)
    picture(room / "coded.png", knocked(cameras()["left"]), 3, board)
    picture(room / "coded-front.png", cameras()["front"], 4, board)
    picture(room / "coded-right.png", cameras()["right"], 5, board)
    plan = coded.replace("after-left", "coded") + OTHERS.replace("after-", "coded-")
    assert run(room, plan) == 0
    assert square(read(room, "new-left.toml")) < 22.5
    cv2.imwrite(
        str(room / "coded.png"), cv2.imread(str(room / "coded.png"), cv2.IMREAD_UNCHANGED)[:, ::-1]
    )
    capsys.readouterr()
    assert run(room, plan) == 2
    assert "shows the board left and right exchanged" in capsys.readouterr().err
