"""The command `calibrate`: each kind from files to a file that a trial can name; every fault."""

# ruff: noqa: E501 - one fault a line reads best
from __future__ import annotations

import json
import struct
import tomllib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.calibrate import Wand
from lashwave.calibrate.pinhole import project_points, projected, rotation_matrix
from lashwave.files.calibration_toml import read_calibration
from lashwave.files.source import Folder
from lashwave.instruments import project
from lashwave.quantities.calibration import Calibration, joint_covariance
from lashwave.quantities.sightings import Camera, Clock
from lashwave.workbench.cli import main
from tests.calibrate import test_board as boards, test_wand as wands
from tests.calibrate.board_images import poses, rays, render

AFFINE = np.array([[880.0, 12.0, 40.0, 500], [40.0, -6.0, -880.0, 400], [0, 0, 0, 1.0]])
PLANE = np.array([[880.0, 0, 40.0, 300], [40.0, 0, -880.0, 400], [0, 0, 0, 1.0]])


def read(folder: Path, name: str = "out.toml") -> Calibration:
    return read_calibration(Folder(folder), name, "test", None, "calibration")


def run(folder: Path, *more: str) -> int:
    return main(["calibrate", str(folder / "plan.toml"), "--out", str(folder / "out.toml"), *more])


def rows(heading: str, values: list[str]) -> str:
    return "\n".join([heading, *values]) + "\n"


def registered(folder: Path) -> None:
    """Markers that move through the fast camera's view."""
    random = np.random.default_rng(1)
    known, seen = [], []
    for frame in range(12):
        for name in ("M8", "M9", "M10"):
            place = random.uniform(-0.3, 0.3, 3) + np.array([0, 0, 0.05])
            u, v = projected(AFFINE, place[None])[0] + 0.4 * random.standard_normal(2)
            if frame == 4 and name == "M9":
                u += 60.0
            known.append(f"{frame},{name},{place[0]:.9f},{place[1]:.9f},{place[2]:.9f}")
            seen.append(f"{frame},{name},{u:.6f},{v:.6f}")
    (folder / "known.csv").write_text(rows("frame,point,x [m],y [m],z [m]", known))
    (folder / "seen.csv").write_text(rows("frame,point,u [px],v [px]", seen))
    (folder / "plan.toml").write_text(REGISTER)


REGISTER = """schema = 1
kind = "register"
sd = "0.4 px"
[camera]
name = "tip-view"
size = [1024, 768]
[register]
known = "known.csv"
seen = "seen.csv"
known_sd = "0.3 mm"
"""
SCALE = """kind = "scale"
[camera]
name = "tip-view"
size = [1024, 768]
[scale]
marks = "marks.csv"
x_axis = [1, 0, 0]
y_axis = [0, 0, 1]
origin = [0.1, 0.0, 0.2]
view_sd = "0.2 deg"
"""
POINTS = """kind = "points"
sd = "0.3 px"
[camera]
name = "left"
size = [1280, 1024]
[points]
known = "known.csv"
seen = "seen.csv"
"""
WAND = """kind = "wand"
sd = "0.3 px"
[wand]
dots = ["A", "B"]
gaps = ["500 mm"]
length_sd = "0.1 mm"
known = "floor.csv"
known_sd = "0.5 mm"
"""
BOARD = """kind = "board"
[camera]
name = "left"
size = [480, 360]
[board]
images = "boards/*.png"
pattern = "chessboard"
squares = [9, 6]
square = "40 mm"
distortion = ["k1", "k2"]
"""


def scaled(folder: Path) -> None:
    random = np.random.default_rng(2)
    marks = []
    for a in np.arange(0, 0.35, 0.05):
        for b in np.arange(0, 0.25, 0.05):
            place = np.array([[0.1 + a, 0.0, 0.2 + b]])
            u, v = projected(PLANE, place)[0] + 0.2 * random.standard_normal(2)
            marks.append(f"{1e3 * a:.6f},{1e3 * b:.6f},{u:.6f},{v:.6f}")
    (folder / "marks.csv").write_text(rows("a [mm],b [mm],u [px],v [px]", marks))
    (folder / "plan.toml").write_text(SCALE)


def pointed(folder: Path) -> None:
    random, truth = np.random.default_rng(3), wands.rig()[0]
    points = np.array([0.4, 0.4, 0.8]) + random.uniform(-0.5, 0.5, (40, 3))
    uv = project_points(np.concatenate([truth[:4], np.zeros(5), truth[9:]]), points)[0]
    uv = uv + 0.3 * random.standard_normal(uv.shape)
    known = [f"P{i},{p[0]:.9f},{p[1]:.9f},{p[2]:.9f}" for i, p in enumerate(points)]
    seen = [f"0,P{i},{u:.6f},{v:.6f}" for i, (u, v) in enumerate(uv)]
    (folder / "known.csv").write_text(rows("point,x [m],y [m],z [m]", known))
    (folder / "seen.csv").write_text(rows("frame,point,u [px],v [px]", seen))
    (folder / "plan.toml").write_text(POINTS)


def waved(folder: Path, places: np.ndarray = np.array([0.0, 0.5])) -> None:  # noqa: B008
    from lashwave.files.calibration_toml import write_calibration

    random, full, wand = np.random.default_rng(5), wands.rig(3), Wand(places)
    uv = wands.seen(full, wands.waved(90, wand), 0.3, random)
    floor = wands.seen(full, wands.FLOOR, 0.3, random)
    text = WAND
    for c, name in enumerate(("left", "middle", "right")):
        write_calibration(folder / f"{name}-lens.toml", wands.lens(random), {})
        seen = [f"0,F{k},{u:.6f},{v:.6f}" for k, (u, v) in enumerate(floor[c]) if np.isfinite(u)]
        for f, d in np.argwhere(np.isfinite(uv[c]).all(axis=-1)):
            u, v = uv[c, f, d]
            seen.append(f"{10 + 3 * f},{'ABC'[d]},{u:.6f},{v:.6f}")
        (folder / f"{name}.csv").write_text(rows("frame,point,u [px],v [px]", seen))
        text += f'[[cameras]]\nname = "{name}"\nlens = "{name}-lens.toml"\nseen = "{name}.csv"\n'
    known = [f"F{k},{p[0]},{p[1]},{p[2]}" for k, p in enumerate(wands.FLOOR)]
    (folder / "floor.csv").write_text(rows("point,x [m],y [m],z [m]", known))
    (folder / "plan.toml").write_text(text)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with images of a chessboard, one of them empty."""
    folder = tmp_path_factory.mktemp("pictures")
    (folder / "boards").mkdir()
    random, slopes = np.random.default_rng(3), rays(boards.FULL, boards.SIZE)
    for k, pose in enumerate(poses(boards.CHESS, 6, np.random.default_rng(1))):
        image = render(boards.CHESS, slopes, pose, 0.01, random)
        cv2.imwrite(str(folder / "boards" / f"{k:02d}.png"), image)
    cv2.imwrite(str(folder / "boards" / "99.png"), np.full((360, 480), 40000, np.uint16))
    return folder


def test_a_register_plan_gives_a_file_for_a_trial(tmp_path, capsys) -> None:
    registered(tmp_path)
    assert run(tmp_path) == 0
    said = capsys.readouterr()
    assert said.err == "" and "left out: M9 in frame 4" in said.out
    assert "sd of the registration" in said.out and "px/mm" in said.out
    found = read(tmp_path)
    assert found.projection[2].tolist() == [0, 0, 0, 1]
    assert found.degrees_of_freedom == 2 * 35 - 8 and found.images == 12
    assert 0.1 < found.registration_sd < 0.25
    sd = np.sqrt(np.diag(found.covariance))
    assert (np.abs(found.projection[:2] - AFFINE[:2]).ravel() < 4 * sd).all()
    inputs = tomllib.loads((tmp_path / "out.toml").read_text())["inputs"]
    assert set(inputs) == {"known.csv", "seen.csv"}
    assert run(tmp_path) == 0  # an earlier answer is replaced


def test_json_says_the_same(tmp_path, capsys) -> None:
    registered(tmp_path)
    assert run(tmp_path, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    camera, found = told["cameras"]["tip-view"], read(tmp_path)
    assert camera["registration_sd"] == found.registration_sd
    assert camera["degrees_of_freedom"] == found.degrees_of_freedom
    scale = camera["quantities"]["scale of u"]
    assert scale["value"] == pytest.approx(np.linalg.norm(AFFINE[0, :3]) / 1e3, abs=4 * scale["sd"])
    assert len(told["left_out"]) == 1


def test_a_scale_plan(tmp_path, capsys) -> None:
    scaled(tmp_path)
    assert run(tmp_path) == 0
    found = read(tmp_path)
    assert found.degrees_of_freedom == 2 * 35 + 2 - 8
    sd = np.sqrt(np.diag(found.covariance))
    assert (np.abs(found.projection[:2] - PLANE[:2]).ravel() < 4 * sd).all()
    assert found.sd("p12") == pytest.approx(np.hypot(880, 40) * np.radians(0.2), rel=0.02)


def test_a_ruler_alone(tmp_path, capsys) -> None:
    scaled(tmp_path)
    marks = (tmp_path / "marks.csv").read_text().splitlines()
    line = [r.split(",") for r in marks[1:] if float(r.split(",")[1]) == 0.0]
    text = rows("a [mm],u [px],v [px]", [f"{a},{u},{v}" for a, _, u, v in line])
    (tmp_path / "marks.csv").write_text(text)
    assert run(tmp_path) == 2
    assert "on one line" in capsys.readouterr().err
    (tmp_path / "plan.toml").write_text(SCALE + "square_pixels = true\n")
    assert run(tmp_path) == 0
    assert np.abs(read(tmp_path).projection[:2, :3] - PLANE[:2, :3]).max() < 12.0


@pytest.mark.parametrize("model", ["dlt", "camera"])
def test_a_points_plan(tmp_path, model, capsys) -> None:
    pointed(tmp_path)
    (tmp_path / "plan.toml").write_text(POINTS + f'model = "{model}"\n')
    assert run(tmp_path) == 0
    found, truth = read(tmp_path), wands.true_places(wands.rig())[0]
    place = -np.linalg.solve(found.projection[:, :3], found.projection[:, 3])
    assert np.abs(place - truth).max() < 0.05
    assert found.degrees_of_freedom == 80 - (11 if model == "dlt" else 10)


def test_a_wand_plan_writes_a_file_for_each_camera(tmp_path, capsys) -> None:
    waved(tmp_path)
    assert run(tmp_path) == 0
    said = capsys.readouterr().out
    assert "wand length as seen" in said and not (tmp_path / "out.toml").exists()
    for c, name in enumerate(("left", "middle", "right")):
        found = read(tmp_path, f"out-{name}.toml")
        place = -np.linalg.solve(found.projection[:, :3], found.projection[:, 3])
        assert np.abs(place - wands.true_places(wands.rig(3))[c]).max() < 0.03


def test_a_wands_files_carry_what_their_cameras_share(tmp_path) -> None:
    """Put together from the files it is one covariance of all cameras."""
    waved(tmp_path)
    assert run(tmp_path) == 0
    found = [read(tmp_path, f"out-{name}.toml") for name in ("left", "middle", "right")]
    assert len({c.adjustment for c in found}) == 1 and found[0].adjustment
    assert [[s.camera for s in c.shared] for c in found] == [
        ["middle", "right"], ["left", "right"], ["left", "middle"],
    ]  # fmt: skip
    whole = joint_covariance(found)
    scale = np.sqrt(np.diag(whole))
    relation = whole / np.outer(scale, scale)
    assert np.linalg.eigvalsh(relation)[0] > 0.0
    # Known points that are all a little off move all cameras alike.
    count = len(found[0].parameters)
    assert np.abs(relation[:count, count:]).max() > 0.5


def test_three_dots_need_no_labels(tmp_path, capsys) -> None:
    waved(tmp_path, np.array([0.0, 0.15, 0.5]))
    swap(
        "plan.toml",
        'dots = ["A", "B"]\ngaps = ["500 mm"]',
        'dots = ["A", "B", "C"]\ngaps = ["150 mm", "350 mm"]',
    )(tmp_path)
    for name in ("left", "middle", "right"):
        text = (tmp_path / f"{name}.csv").read_text()
        for label in "ABC":
            text = text.replace(f",{label},", ",,")
        (tmp_path / f"{name}.csv").write_text(text)
    assert run(tmp_path) == 0
    assert "told apart by their spacing in" in capsys.readouterr().out
    for c, name in enumerate(("left", "middle", "right")):
        found = read(tmp_path, f"out-{name}.toml")
        place = -np.linalg.solve(found.projection[:, :3], found.projection[:, 3])
        assert np.abs(place - wands.true_places(wands.rig(3))[c]).max() < 0.03


def test_a_board_plan_and_then_a_pose(tmp_path, pictures, capsys) -> None:
    (pictures / "plan.toml").write_text(
        BOARD + 'reference = "boards/02.png"\nx_axis = [0, 1, 0]\ny_axis = [1, 0, 0]\n'
    )
    assert (
        main(["calibrate", str(pictures / "plan.toml"), "--out", str(tmp_path / "out.toml")]) == 0
    )
    said = capsys.readouterr().out
    assert "no board seen in 1 of 7 images: boards/99.png" in said and "only 6 images" in said
    found = read(tmp_path)
    assert abs(found.intrinsics[0, 0] - 675.0) < 4 * found.sd("fx")
    # The library finds this board turned by half a turn against the renderer's frame.
    pose = poses(boards.CHESS, 6, np.random.default_rng(1))[2]
    far = np.array([7, 4, 0]) * 0.04
    seen = project_points([*boards.LENS_TRUE, *pose], far[None])[0][0]
    camera = Camera(
        "c", 1.0, found.size, found.projection, Clock(), 0.1,
        intrinsics=found.intrinsics, distortion=found.distortion,
    )  # fmt: skip
    assert project(camera, np.zeros(3)) == pytest.approx(seen, abs=0.2)
    # The lens is then known to another plan.
    folder = tmp_path / "pose"
    folder.mkdir()
    (folder / "lens.toml").write_bytes((tmp_path / "out.toml").read_bytes())
    random = np.random.default_rng(8)
    points = random.uniform(-0.2, 0.2, (30, 3))
    full = np.concatenate([boards.LENS_TRUE, [0.1, 0.2, -0.3, 0.05, 0.02, 1.2]])
    uv = project_points(full, points)[0] + 0.2 * random.standard_normal((30, 2))
    known = [f"P{i},{p[0]:.9f},{p[1]:.9f},{p[2]:.9f}" for i, p in enumerate(points)]
    seen_rows = [f"P{i},{u:.6f},{v:.6f}" for i, (u, v) in enumerate(uv)]
    (folder / "known.csv").write_text(rows("point,x [m],y [m],z [m]", known))
    (folder / "seen.csv").write_text(rows("point,u [px],v [px]", seen_rows))
    (folder / "plan.toml").write_text(
        'kind = "points"\n[camera]\nname = "left"\nlens = "lens.toml"\n'
        '[points]\nknown = "known.csv"\nseen = "seen.csv"\nmodel = "pose"\n'
    )
    assert run(folder) == 0
    place = rotation_matrix(read(folder).rotation).T @ read(folder).translation
    assert place == pytest.approx(rotation_matrix(full[9:12]).T @ full[12:], abs=0.01)


def test_a_frame_with_one_dot_without_a_label_is_passed_over(tmp_path, capsys) -> None:
    waved(tmp_path, np.array([0.0, 0.15, 0.5]))
    three = (
        'dots = ["A", "B", "C"]\ngaps = ["150 mm", "350 mm"]',
        'dots = ["A", "B"]\ngaps = ["500 mm"]',
    )
    swap("plan.toml", *three[::-1])(tmp_path)
    swap("left.csv", ",A,", ",,")(tmp_path)
    assert run(tmp_path) == 0
    assert "told apart by their spacing in 0 of 1 frames" in capsys.readouterr().out


Break = Callable[[Path], None]


def swap(file: str, old: str, new: str) -> Break:
    def change(folder: Path) -> None:
        text = (folder / file).read_text()
        assert old in text
        (folder / file).write_text(text.replace(old, new, 1))

    return change


def plan(old: str, new: str) -> Break:
    return swap("plan.toml", old, new)


FAULTS: dict[str, tuple[Callable[[Path], None], Break, str, str]] = {
    "no plan": (registered, lambda f: (f / "plan.toml").unlink(), "plan.toml", "no such file"),
    "no TOML": (registered, plan('kind = "', "kind ="), "plan.toml, line 2", "syntax"),
    "unknown kind": (registered, plan('"register"', '"guess"'), "line 2, kind", "board or points"),
    "no kind": (registered, plan('kind = "register"\n', ""), "plan.toml", "kind"),
    "other schema": (registered, plan("schema = 1", "schema = 2"), "line 1, schema", "schema = 1"),
    "misspelt key": (registered, plan("known_sd", "knwn_sd"), "line 10, register.knwn_sd", "known_sd"),
    "no table": (registered, plan("[register]", "[scale]"), "plan.toml", "scale"),
    "no camera": (registered, plan("[camera]", "[[cameras]]"), "cameras", "write camera"),
    "camera without a size": (registered, plan("size = [1024, 768]\n", ""), "camera.size", "missing"),
    "camera name with a slash": (registered, plan('"tip-view"', '"a/b"'), "camera.name", "letters"),
    "sd in metres": (registered, plan("0.4 px", "0.4 m"), "line 3, sd", "pixel"),
    "model unknown": (registered, plan("known_sd", 'model = "magic"\nknown_sd'), "register.model", "parallel"),
    "view beside a dlt": (
        registered, plan("known_sd", 'model = "dlt"\nview = [0, 1, 0]\nknown_sd'), "register.view", "parallel",
    ),
    "view_sd without a view": (registered, plan("known_sd", 'view_sd = "1 deg"\nknown_sd'), "view_sd", "state"),
    "view of no length": (registered, plan("known_sd", "view = [0, 0, 0]\nknown_sd"), "register.view", "length"),
    "file is absent": (registered, lambda f: (f / "seen.csv").unlink(), "line 9, register.seen", "no file"),
    "file outside": (registered, plan('"known.csv"', '"../known.csv"'), "register.known", "inside"),
    "known has no frames": (registered, swap("known.csv", "frame,", "time,"), "known.csv, line 1, frame", "missing"),
    "point twice": (registered, swap("seen.csv", "\n0,M9,", "\n0,M8,"), "seen.csv, line 3, point", "twice"),
    "rows too short": (registered, swap("seen.csv", "u [px]", "u [px],x [m]"), "seen.csv, line 2, row", "fields"),
    "point outside the image": (registered, swap("seen.csv", "\n0,M9,", "\n0,M9,9"), "seen.csv, line 3, u", "plausible"),
    "no common labels": (
        registered, lambda f: (f / "known.csv").write_text(
            "frame,point,x [m],y [m],z [m]\n99,M8,0,0,0\n") and None, "seen.csv", "no frame and point",
    ),
    "too few points": (
        registered, lambda f: (f / "known.csv").write_text(
            "frame,point,x [m],y [m],z [m]\n0,M8,0,0,0\n1,M8,0,0.1,0\n2,M8,0.1,0.1,0.2\n") and None,
        "line 7, register", "3 points are too few",
    ),
    "points in a plane": (
        registered, lambda f: (f / "known.csv").write_text("\n".join(
            [r if i == 0 else ",".join([*r.split(",")[:3], "0.0", r.split(",")[4]])
             for i, r in enumerate((f / "known.csv").read_text().splitlines())])) and None,
        "line 7, register", "one plane",
    ),
    "a number is a word": (registered, swap("seen.csv", "\n0,M9,", "\n0,M9,near"), "seen.csv, line 3, u", "number"),
    "axes not square": (scaled, plan("[0, 0, 1]", "[1, 0, 1]"), "scale.y_axis", "right angles"),
    "mirrored is a word": (scaled, plan("view_sd", 'mirrored = "no"\nview_sd'), "scale.mirrored", "true"),
    "pose without a lens": (pointed, plan('seen = "', 'model = "pose"\nseen = "'), "camera.lens", "missing"),
    "distortion for a dlt": (pointed, plan('seen = "', 'distortion = ["k1"]\nseen = "'), "points.distortion", "camera"),
    "distortion unknown": (
        pointed, plan('seen = "', 'model = "camera"\ndistortion = ["k9"]\nseen = "'), "points.distortion", "k1",
    ),
    "lens is no calibration": (
        pointed, plan("size = [1280, 1024]", 'lens = "plan.toml"'), "plan.toml", "is not a known field",
    ),
    "one camera with a wand": (
        waved, lambda f: (f / "plan.toml").write_text(
            (f / "plan.toml").read_text().split('[[cameras]]\nname = "middle"')[0]) and None,
        "plan.toml", "fewer than two",
    ),
    "two dots without labels": (waved, swap("left.csv", ",A,", ",,"), "left.csv, line", "three dots"),
    "wand of one dot": (waved, plan('["A", "B"]', '["A"]'), "wand.dots", "2 or 3"),
    "wand without a length": (waved, plan('gaps = ["500 mm"]', "gaps = []"), "wand.gaps", "1 lengths"),
    "wand in seconds": (waved, plan("500 mm", "500 ms"), "wand.gaps", "length"),
    "wand finer than an atom": (waved, plan('"0.1 mm"', '"1e-320 mm"'), "wand.length_sd", "finer than anything"),
    "points finer than an atom": (waved, plan('"0.5 mm"', '"1e-320 mm"'), "wand.known_sd", "1e-09"),
    "image finer than anything": (waved, plan('"0.3 px"', '"1e-320 px"'), "line 2, sd", "0.0001"),
    "camera without its lens": (waved, plan('lens = "left-lens.toml"', "size = [1280, 1024]"), "cameras[0].lens", "missing"),
    "two cameras of one name": (waved, plan('"middle"', '"left"'), "cameras[1].name", "two cameras"),
    "dots of another wand": (waved, plan('["A", "B"]', '["A", "C"]'), "plan.toml", "dots"),
}  # fmt: skip


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_is_one_line_and_nothing_is_written(tmp_path: Path, kind: str, capsys) -> None:
    make, broken, place, told = FAULTS[kind]
    make(tmp_path)
    broken(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert run(tmp_path) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and len(said.err) < 400
    assert place in said.err and told in said.err, said.err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"boards/*.png"', '"none/*.png"', "no file matches"),
        ('"boards/*.png"', '"../*.png"', "leaves"),
        ('"boards/*.png"', '"**x/*.png"', "no file matches"),
        ('"boards/*.png"', '"boards/99.png"', "usable in 0 images"),
        ('"boards/*.png"', '"*.toml"', "name TIFF or PNG"),
        ('"chessboard"', '"dots"', "chessboard or charuco"),
        ("[9, 6]", "[9.5, 6]", "two counts"),
        ("[480, 360]", "[640, 480]", "is 480 x 360 px, the camera 640 x 480"),
        ('"40 mm"', '"40 px"', "length"),
        ('"chessboard"', '"charuco"\nmarker = "50 mm"', "not smaller"),
        ('"40 mm"', '"40 mm"\nmarker = "30 mm"', "charuco board"),
        ('["k1", "k2"]', '["k1", "p1"]', "one of p1 and p2"),
        ('["k1", "k2"]', '["k1"]\nreference = "boards/77.png"', "none of the images"),
        ("[9, 6]", '[8, 6]\nreference = "boards/02.png"', "the odd one first"),
        ('["k1", "k2"]', '["k1"]\norigin = [0, 0, 0]', "reference image"),
    ],
)
def test_a_fault_of_a_board_plan(pictures: Path, old: str, new: str, told: str, capsys) -> None:
    assert old in BOARD
    (pictures / "plan.toml").write_text(BOARD.replace(old, new, 1))
    assert run(pictures) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and told in said.err, said.err
    assert not (pictures / "out.toml").exists()


def test_out_is_never_a_file_of_the_users(tmp_path: Path, capsys) -> None:
    registered(tmp_path)
    (tmp_path / "mine.toml").write_text("precious = true\n")
    for out, told in (
        ("mine.toml", "is no calibration"), ("plan.toml", "is the plan"), ("out.csv", ".toml"),
        ("no/out.toml", "no folder"),
    ):  # fmt: skip
        argv = ["calibrate", str(tmp_path / "plan.toml"), "--out", str(tmp_path / out)]
        assert main(argv) == 2
        assert told in capsys.readouterr().err
    assert (tmp_path / "mine.toml").read_text() == "precious = true\n"


@pytest.mark.parametrize("bad", ["huge", "cut", "colour", "mixed", "small", "no image"])
def test_a_bad_board_image_is_one_line(pictures: Path, bad: str, capsys) -> None:
    """Guards and messages are those of a trial's images."""
    last = pictures / "boards" / "99.png"
    good = last.read_bytes()
    image = np.full((360, 480), 40000, np.uint16)
    if bad == "huge":  # the header of a PNG says 1e10 pixels (PNG 3rd ed., 11.2.1)
        last.write_bytes(good[:16] + struct.pack(">II", 100_000, 100_000) + good[24:])
    elif bad == "cut":
        last.write_bytes(good[: len(good) // 2])
    elif bad == "colour":
        cv2.imwrite(str(last), np.dstack([image, image // 2, image]))
    elif bad == "mixed":
        cv2.imwrite(str(last), np.full((360, 480), 100, np.uint8))
    elif bad == "small":
        cv2.imwrite(str(last), image[:-1])
    else:
        last.write_bytes(b"not an image" * 10)
    (pictures / "plan.toml").write_text(BOARD)
    assert run(pictures) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and "boards/99.png" in said.err
    assert not (pictures / "out.toml").exists()
    last.write_bytes(good)
