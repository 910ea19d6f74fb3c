"""A camera that was moved between throws: said by `check` and `locate`, and registered anew.

The truth is a camera that is turned about its own centre and shifted by known amounts.
"""

# ruff: noqa: E501 - one fault a line reads best
from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy.spatial.transform import Rotation

from lashwave.files import read_pictures, toml_text
from lashwave.instruments import moved_camera, project
from lashwave.instruments.moved import PUSHED
from lashwave.pipeline.moved_cameras import registered
from lashwave.quantities import Camera, Clock
from lashwave.workbench.cli import main
from tests.points.rendered import noisy, spots
from tests.points.test_marker_points import camera as ring_camera
from tests.small_trial import described, write_small_trial

PLACES = np.array([
    [-0.5, -0.3, -0.4], [0.4, 0.1, -0.35], [0.1, 0.5, 0.3], [-0.3, 0.4, 0.45],
    [0.45, -0.4, 0.2], [-0.1, -0.45, -0.1], [0.2, 0.3, -0.5],
])  # fmt: skip
SIZE = (1280, 1024)
LENS = np.array([-0.12, 0.05, 8e-4, -1.1e-3, 0.0])
INNER = np.array([[1000.0, 0, 640], [0, 1000.0, 512], [0, 0, 1]])
TURN, SHIFT = np.array([0.004, -0.006, 0.003]), np.array([0.002, -0.001, 0.004])


def stated() -> Camera:
    return replace(ring_camera(0.3, focal=1000.0), intrinsics=INNER, distortion=LENS)


def pushed(camera: Camera) -> Camera:
    """The camera turned about its centre by TURN, in its own axes, and moved by SHIFT."""
    ahead = np.linalg.solve(INNER, camera.projection)
    lab = Rotation.from_rotvec(TURN).as_matrix() @ ahead
    return replace(camera, projection=INNER @ (lab + np.column_stack([np.zeros((3, 3)), SHIFT])))


def test_marks_give_the_camera_as_it_stands() -> None:
    random, true = np.random.default_rng(2), pushed(stated())
    uv = project(true, PLACES) + 0.05 * random.standard_normal((7, 2))
    found = moved_camera(stated(), PLACES, uv, np.full(7, 0.05))
    assert found.moved and found.off > 3.0 and found.left < 0.1
    assert found.turned == pytest.approx(np.linalg.norm(TURN), rel=0.02)
    assert found.shifted == pytest.approx(np.linalg.norm(SHIFT), rel=0.2)
    others = random.uniform(-0.5, 0.5, (50, 3))
    off = project(found.camera, others) - project(true, others)
    assert np.sqrt((off**2).mean()) < 3.0 * found.camera.registration_sd < 0.3


def test_a_camera_that_stayed_is_not_said_to_have_moved() -> None:
    """By the definition of a probability: beyond one in a hundred in about one of a hundred."""
    random, beyond = np.random.default_rng(4), 0
    camera = replace(stated(), registration_sd=0.3)
    for _ in range(200):
        shift = 0.3 * random.standard_normal(2)
        uv = project(camera, PLACES) + shift + 0.1 * random.standard_normal((7, 2))
        beyond += moved_camera(camera, PLACES, uv, np.full(7, 0.1)).chance < 0.01
    assert beyond <= 8


@pytest.mark.parametrize("light", ["perspective", "mirror", "parallel"])
def test_every_projection_can_be_registered(light: str) -> None:
    camera = stated()
    if light == "parallel":
        flat = np.array([[880.0, 12, 40, 500], [40, -6, -880, 400], [0, 0, 0, 1]])
        camera = Camera("fast", 2e4, SIZE, flat, Clock(), 0.1)
    if light == "mirror":
        mirror = np.diag([1.0, -1.0, 1.0, 1.0])
        camera = replace(camera, projection=camera.projection @ mirror, mirrored=True)
    lab = np.eye(4)
    lab[:3, :3] = Rotation.from_rotvec([0.01, -0.008, 0.012]).as_matrix()
    lab[:3, 3] = [0.01, 0.004, -0.006]
    true = replace(camera, projection=camera.projection @ lab)
    found = moved_camera(camera, PLACES, project(true, PLACES), np.full(7, 0.02))
    assert found.moved and np.isfinite(found.off)
    assert np.abs(project(found.camera, PLACES) - project(true, PLACES)).max() < 0.01


def moved_by(camera: Camera, move: np.ndarray) -> Camera:
    """The camera in a lab turned about the camera's centre [rad] and shifted [m]."""
    centre = -np.linalg.solve(camera.projection[:, :3], camera.projection[:, 3])
    lab = np.eye(4)
    lab[:3, :3] = Rotation.from_rotvec(move[:3]).as_matrix()
    lab[:3, 3] = centre + move[3:] - lab[:3, :3] @ centre
    return replace(camera, projection=camera.projection @ lab)


def test_points_that_say_little_move_the_camera_little() -> None:
    """The likeliest move of a linear problem, by normal equations from numerical derivatives."""
    camera, sd, step = stated(), 100.0, 1e-6
    true = 1e-3 * np.array([1.0, -2.0, 1.5, 20.0, 10.0, -15.0])
    was, uv = project(camera, PLACES), project(moved_by(camera, true), PLACES)
    slopes = [(project(moved_by(camera, step * e), PLACES) - was) / step for e in np.eye(6)]
    rows = np.stack([slope.ravel() for slope in slopes], axis=1) / sd
    normal = rows.T @ rows + np.eye(6) / PUSHED**2
    likely = np.linalg.solve(normal, rows.T @ (uv - was).ravel() / sd)
    found = moved_camera(camera, PLACES, uv, np.full(7, sd)).camera
    expected = project(moved_by(camera, likely), PLACES) - was
    assert np.linalg.norm(expected) < 0.9 * np.linalg.norm(uv - was)
    off = project(found, PLACES) - was - expected
    assert np.linalg.norm(off) < 0.02 * np.linalg.norm(expected)


def test_a_stray_mark_is_left_out() -> None:
    uv = project(pushed(stated()), PLACES)
    uv[2] += [9.0, -14.0]
    found = moved_camera(stated(), PLACES, uv, np.full(7, 0.1))
    assert found.used.tolist() == [True, True, False, True, True, True, True]
    assert found.left < 0.1


HEADING = "point,x [m],y [m],z [m]"


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Images of marks at rest, a moving dot and a reflection."""
    random, path = np.random.default_rng(0), tmp_path_factory.mktemp("film") / "film.tif"
    seen, pages = project(pushed(stated()), PLACES), []
    for k in range(9):
        dots = np.concatenate([seen, [[100.3 + 20 * k, 700.0]], [[1100.2, 80.4]]])
        pages.append(noisy(spots(SIZE, dots, 120.0, 1.3), 20.0, 2.0, random))
    tifffile.imwrite(path, np.stack(pages), photometric="minisblack")
    return path


@pytest.fixture
def trial(tmp_path: Path, film: Path) -> Path:
    """A trial whose one camera was moved since it was calibrated."""
    (tmp_path / "film.tif").write_bytes(film.read_bytes())
    marks = [f"F{k},{x},{y},{z},0.0001" for k, (x, y, z) in enumerate(PLACES)]
    (tmp_path / "marks.csv").write_text("\n".join([HEADING + ",sd [m]", *marks]))
    camera = {
        "name": "left", "rate": "500 Hz", "size": list(SIZE), "shows": "dots",
        "projection": stated().projection.tolist(), "intrinsics": INNER.tolist(),
        "distortion": LENS.tolist(), "frames": "film.tif", "marks": "marks.csv",
        "clock": {"offset": "0 s", "offset_sd": "0 s"},
    }  # fmt: skip
    write_small_trial(tmp_path, toml_text(tomllib.loads(described()) | {"cameras": [camera]}))
    return tmp_path


def changed(folder: Path, **more: object) -> None:
    table = tomllib.loads((folder / "trial.toml").read_text())
    camera = table["cameras"][0] | more
    table["cameras"] = [{k: v for k, v in camera.items() if v is not None}]
    (folder / "trial.toml").write_text(toml_text(table))


def said_by_check(folder: Path, capsys) -> str:
    assert main(["check", str(folder)]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_check_says_that_a_camera_moved(trial: Path, capsys) -> None:
    said = said_by_check(trial, capsys)
    assert "it was moved since it was calibrated: 7 of 7 marks are off by" in said
    assert "register = true" in said and "usable with care" in said
    angle = float(said.split("turned by ")[1].split(" deg")[0])
    assert angle == pytest.approx(np.degrees(np.linalg.norm(TURN)), rel=0.03)


def test_a_camera_is_registered_where_the_trial_asks_for_it(trial: Path, capsys) -> None:
    changed(trial, register=True)
    pictures, (move,) = registered(read_pictures(trial))
    assert move.registered and not move.care
    off = project(pictures.trial.cameras[0], PLACES) - project(pushed(stated()), PLACES)
    assert np.abs(off).max() < 0.2
    assert "it is used as it stands now" in said_by_check(trial, capsys)


def test_locate_registers_a_camera_before_it_searches(trial: Path, capsys) -> None:
    changed(trial, register=True)
    assert main(["locate", str(trial), "--out", str(trial.parent / "located"), "--quiet"]) == 0
    assert "it is used as it stands now" in " ".join(capsys.readouterr().out.split())


def test_a_camera_that_stayed_is_said_to_stand(trial: Path, capsys) -> None:
    changed(trial, projection=pushed(stated()).projection.tolist())
    said = said_by_check(trial, capsys)
    assert "it stands as it was calibrated: 7 of 7 marks" in said and "was moved" not in said


def test_marks_read_by_hand_serve_any_camera(trial: Path, capsys) -> None:
    seen = project(pushed(stated()), PLACES)
    both = np.column_stack([PLACES, seen])
    rows = [f"F{k}," + ",".join(f"{v:.4f}" for v in row) for k, row in enumerate(both)]
    (trial / "marks.csv").write_text("\n".join([HEADING + ",u [px],v [px]", *rows]))
    changed(trial, shows="line")
    assert "it was moved since it was calibrated" in said_by_check(trial, capsys)


FAULTS = {
    "one mark": (f"{HEADING}\nA,0,0,0\n", {}, "is the only mark"),
    "no label": (f"{HEADING}\n,0,0,0\nB,0,1,0\n", {}, "has no label"),
    "twice": (f"{HEADING}\nA,0,0,0\nA,0,1,0\n", {}, "stands twice"),
    "no images": (f"{HEADING}\nA,0,0,0\nB,0,1,0\n", {"shows": "line"}, "give u and v"),
    "half an image": (f"{HEADING},u [px]\nA,0,0,0,5\nB,0,1,0,7\n", {}, "go together"),
    "outside": (f"{HEADING},u [px],v [px]\nA,0,0,0,5,2000\nB,0,1,0,7,8\n", {}, "marks.csv, line 2, v"),
    "no marks": ("", {"marks": None, "register": True, "shows": "line"}, "needs marks, or images of dots"),
    "no flag": ("", {"register": 1}, "neither true nor false"),
    "none found": (f"{HEADING}\nA,0.4,0.2,0.3\nB,0.1,-0.3,0.4\nC,0.3,-0.4,-0.4\n", {"register": True}, "marks are seen"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_marks_is_one_line(trial: Path, name: str, capsys) -> None:
    text, more, said = FAULTS[name]
    if text:
        (trial / "marks.csv").write_text(text)
    changed(trial, **more)
    assert main(["check", str(trial)]) == 2
    told = capsys.readouterr().err
    assert said in told and told.count("\n") == 1, told
