"""Views in a mirror, and several in one film: calibrated, searched and written by the commands.

The truth is a mirror's own geometry: what a camera sees in it is what it would see of the points
reflected in its plane, without it.
"""

# ruff: noqa: E501 - one fault a line reads best
from __future__ import annotations

import shutil
import tomllib

import cv2
import numpy as np
import pytest
import tifffile

from lashwave.calibrate import FilmView
from lashwave.calibrate.pinhole import NAMES, intrinsics, project_points, rotation_matrix
from lashwave.calibrate.pose import calibration_of
from lashwave.files import read_trial, toml_text
from lashwave.files.calibration_toml import read_calibration, write_calibration
from lashwave.files.source import Folder
from lashwave.instruments import in_view, project, project_jacobian, rays, windowed
from lashwave.pipeline import console
from lashwave.quantities import Calibration, Camera, Clock, Window
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures
from lashwave.workbench.cli import main
from tests.calibrate import test_board as boards
from tests.calibrate.board_images import poses, rays as pixel_rays, render
from tests.small_trial import described, write_small_trial
from tests.twin.rigid import rigid_throw

SIZE = (1280, 1024)
LENS = np.array([1500.0, 1490.0, 650.0, 500.0, -0.12, 0.05, 8e-4, -1.1e-3, 0.0])
POSE = np.array([1.3, 0.4, -0.5, 0.1, 0.6, 3.0])
FULL = np.concatenate([LENS, POSE])
NORMAL = np.array([0.9, 0.3, 0.1]) / np.linalg.norm([0.9, 0.3, 0.1])
POINTS = np.random.default_rng(3).uniform(-0.4, 0.4, (40, 3))


def reflected(points: np.ndarray) -> np.ndarray:
    """Points (n, 3) [m] in a mirror 0.2 m beyond the origin."""
    return points - 2.0 * ((points @ NORMAL) - 0.2)[:, None] * NORMAL


def in_mirror() -> Camera:
    """A camera that sees the lab in that mirror: its projection times the reflection."""
    turn = np.eye(4)
    turn[:3, :3] -= 2.0 * np.outer(NORMAL, NORMAL)
    turn[:3, 3] = 0.4 * NORMAL
    straight = intrinsics(FULL) @ np.column_stack([rotation_matrix(POSE[:3]), POSE[3:]])
    return Camera(
        "mirror", 500.0, SIZE, straight @ turn, Clock(), 0.1,
        intrinsics=intrinsics(FULL), distortion=LENS[4:], mirrored=True,
    )  # fmt: skip


def of(found: Calibration) -> Camera:
    return Camera(
        "found", 500.0, found.size, found.projection, Clock(), 0.1,
        intrinsics=found.intrinsics, distortion=found.distortion, mirrored=found.mirrored,
    )  # fmt: skip


def test_a_camera_in_a_mirror_sees_the_points_behind_it() -> None:
    camera, seen = in_mirror(), project_points(FULL, reflected(POINTS))[0]
    assert np.abs(project(camera, POINTS) - seen).max() < 1e-9
    found = rays(camera, seen)
    assert found.distance(POINTS).max() < 1e-6
    assert (((POINTS - found.origin) * found.direction).sum(axis=1) > 0.0).all()
    straight = Camera("no mirror", 500.0, SIZE, camera.projection, Clock(), 0.1)
    assert np.isnan(project(straight, POINTS)).all()


def test_a_window_moves_pixels_and_nothing_else() -> None:
    camera = Camera(**{**vars(in_mirror()), "window": Window(300, 200, 600, 500)})
    own, seen = windowed(camera), project(camera, POINTS)
    assert own.size == (600, 500)
    assert np.abs(project(own, POINTS) - (seen - [300, 200])).max() < 1e-9
    assert (in_view(camera, seen) == in_view(own, seen - [300, 200])).all()
    assert project_jacobian(own, POINTS) == pytest.approx(project_jacobian(camera, POINTS))


def tables(folder, uv: np.ndarray) -> None:
    known = [f"P{i},{p[0]:.12f},{p[1]:.12f},{p[2]:.12f}" for i, p in enumerate(POINTS)]
    seen = [f"P{i},{u:.9f},{v:.9f}" for i, (u, v) in enumerate(uv)]
    (folder / "known.csv").write_text("\n".join(["point,x [m],y [m],z [m]", *known]) + "\n")
    (folder / "seen.csv").write_text("\n".join(["point,u [px],v [px]", *seen]) + "\n")


def calibrated(folder, camera: str, model: str) -> int:
    (folder / "plan.toml").write_text(
        f'kind = "points"\nsd = "0.1 px"\n[camera]\nname = "left"\n{camera}\n'
        f'[points]\nknown = "known.csv"\nseen = "seen.csv"\n{model}\n'
    )
    return main(["calibrate", str(folder / "plan.toml"), "--out", str(folder / "out.toml")])


def read(folder) -> Calibration:
    return read_calibration(Folder(folder), "out.toml", "test", None, "calibration")


WINDOW = "window = [200, 0, 1000, 1024]\nmirrored = true\n"


@pytest.mark.parametrize("kind", ["pose", "camera", "dlt"])
def test_points_place_a_camera_in_a_mirror(tmp_path, kind: str, capsys) -> None:
    bent = kind != "dlt"
    full = FULL if bent else np.concatenate([LENS[:4], np.zeros(5), POSE])
    seen = project_points(full, reflected(POINTS))[0]
    assert ((seen > [200, 0]) & (seen < [1199, 1023])).all()
    tables(tmp_path, seen)
    write_calibration(
        tmp_path / "lens.toml",
        calibration_of(np.append(LENS, np.zeros(6)), (), np.empty((0, 0)), SIZE), {},
    )  # fmt: skip
    camera, model = f"size = [1280, 1024]\n{WINDOW}", f'model = "{kind}"'
    if kind == "pose":
        camera = f'lens = "lens.toml"\n{WINDOW}'
    if kind == "camera":
        model += '\ndistortion = ["k1", "k2", "p1", "p2"]'
    assert calibrated(tmp_path, camera, model) == 0, capsys.readouterr().err
    found = read(tmp_path)
    assert found.mirrored and found.size == SIZE
    assert np.abs(project(of(found), POINTS) - seen).max() < 1e-4
    if bent:
        assert found.intrinsics == pytest.approx(intrinsics(FULL), abs=1e-2)
        assert found.distortion == pytest.approx(LENS[4:], abs=1e-4)
        turn = np.diag([-1.0, 1, 1]) @ np.column_stack(
            [rotation_matrix(found.rotation), found.translation]
        )
        assert found.intrinsics @ turn == pytest.approx(found.projection, abs=1e-9)


@pytest.mark.parametrize("stated", [True, False])
def test_a_mirror_that_is_not_as_stated_is_said(tmp_path, stated: bool, capsys) -> None:
    full = np.concatenate([LENS[:4], np.zeros(5), POSE])
    tables(tmp_path, project_points(full, POINTS if stated else reflected(POINTS))[0])
    camera = f"size = [1280, 1024]\nmirrored = {str(stated).lower()}"
    assert calibrated(tmp_path, camera, "") == 2
    said = capsys.readouterr().err
    assert "mirrored = true" in said and said.count("\n") == 1
    assert not (tmp_path / "out.toml").exists()


def test_covariance_is_turned_with_the_picture() -> None:
    """The spread of a point's image is the same in the view's own pixels and in the film's."""
    random = np.random.default_rng(5)
    root = np.diag([*[2.0] * 4, *[1e-3] * 11]) @ random.standard_normal((15, 15))
    own = calibration_of(FULL, NAMES, root @ root.T, (600, 500))
    view = FilmView(SIZE, Window(300, 200, 600, 500), mirrored=True)
    film = view.outward(own)

    def image(c: Calibration, point: np.ndarray) -> np.ndarray:
        return project(of(c), point)

    def nudged(c: Calibration, k: int, by: float) -> Calibration:
        inner, bend = c.intrinsics.copy(), c.distortion.copy()
        turn, shift = c.rotation.copy(), c.translation.copy()
        if k < 4:
            inner[(0, 1, 0, 1)[k], (0, 1, 2, 2)[k]] += by
        elif k < 9:
            bend[k - 4] += by
        else:
            (turn if k < 12 else shift)[k % 3] += by
        flip = np.diag([-1.0 if c.mirrored else 1.0, 1.0, 1.0])
        whole = inner @ flip @ np.column_stack([rotation_matrix(turn), shift])
        return Calibration(
            c.size, whole, inner, bend, turn, shift, mirrored=c.mirrored
        )  # fmt: skip

    def spread(c: Calibration, point: np.ndarray) -> np.ndarray:
        slope = np.stack(
            [(image(nudged(c, k, 1e-6), point) - image(nudged(c, k, -1e-6), point)) / 2e-6
             for k in range(15)], axis=1,
        )  # fmt: skip
        return slope @ c.covariance @ slope.T

    flip = np.diag([-1.0, 1.0])
    for point in POINTS[:5]:
        here = spread(own, point)
        assert flip @ spread(film, point) @ flip == pytest.approx(here, rel=1e-5, abs=1e-6)


def test_a_board_in_a_mirror(tmp_path, capsys) -> None:
    """Coded squares cannot be read in a mirror, so the pictures are turned over; lens and place
    are those of the pictures before they were turned over, and are the lens that drew them."""
    board, lens = boards.CODED, boards.FULL
    (tmp_path / "boards").mkdir()
    random, slopes = np.random.default_rng(3), pixel_rays(lens, boards.SIZE)
    drawn = [
        render(board, slopes, p, 0.01, random) for p in poses(board, 5, np.random.default_rng(1))
    ]
    width, height = boards.SIZE
    for k, image in enumerate(drawn):
        film = np.full((height, 2 * width), 20000, np.uint16)
        film[:, width:] = image[:, ::-1]
        cv2.imwrite(str(tmp_path / "boards" / f"{k}.png"), film)
    plan = f"""kind = "board"
[camera]
name = "left"
size = [{2 * width}, {height}]
window = [{width}, 0, {width}, {height}]
mirrored = true
[board]
images = "boards/*.png"
pattern = "charuco"
squares = [{board.columns}, {board.rows}]
square = "{board.square} m"
marker = "{board.marker} m"
dictionary = "{board.dictionary}"
distortion = ["k1", "k2"]
reference = "boards/1.png"
x_axis = [1, 0, 0]
y_axis = [0, 1, 0]
"""
    (tmp_path / "plan.toml").write_text(plan)
    assert (
        main(["calibrate", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "out.toml")]) == 0
    )
    found = read(tmp_path)
    assert abs(found.intrinsics[0, 0] - lens[0]) < 4 * found.sd("fx")
    assert abs(found.intrinsics[0, 2] - (2 * width - 1 - lens[2])) < 4 * found.sd("cx")
    corners = np.array([[0.05, 0.05, 0.0], [0.2, 0.1, 0.0], [0.1, 0.15, 0.0]])
    pose = poses(board, 5, np.random.default_rng(1))[1]
    seen = project_points([*lens[:9], *pose], corners)[0]
    turned = np.column_stack([2 * width - 1 - seen[:, 0], seen[:, 1]])
    assert np.abs(project(of(found), corners) - turned).max() < 0.2
    # Not said to be in a mirror, no board is seen, and one line says what to look at.
    (tmp_path / "plan.toml").write_text(plan.replace("mirrored = true\n", ""))
    assert main(["calibrate", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "no.toml")]) == 2
    said = capsys.readouterr().err
    assert "mirrored = true" in said and said.count("\n") == 1


@pytest.fixture(scope="module")
def stereo(tmp_path_factory):
    """Three infrared cameras, of which two stand in one film, the second as a mirror shows it."""
    out = tmp_path_factory.mktemp("stereo")
    setting = Setting(frames=2, infrared=3, infrared_size=(640, 512))
    taken = take(*rigid_throw(flashes=True), setting)
    bench_pictures.write(taken, console.silent, out)
    trial = out / "trial"
    film = trial / "both"
    film.mkdir()
    for one, two in zip(
        *(sorted((trial / f"infrared-{k}").iterdir()) for k in (1, 2)), strict=True
    ):
        pair = [tifffile.imread(one), tifffile.imread(two)[:, ::-1]]
        tifffile.imwrite(film / one.name, np.hstack(pair), photometric="minisblack")
    table = tomllib.loads((trial / "trial.toml").read_text())
    table["cameras"] = [c for c in table["cameras"] if c["shows"] == "dots"]
    turn = np.array([[-1.0, 0, 1279], [0, 1, 0], [0, 0, 1]])
    for k, camera in enumerate(table["cameras"][:2]):
        camera |= {"size": [1280, 512], "frames": "both/*.tif", "window": [640 * k, 0, 640, 512]}
    mirrored = table["cameras"][1]
    mirrored |= {"mirrored": True, "projection": (turn @ np.array(mirrored["projection"])).tolist()}
    table["microphones"] = []
    for name in ("infrared-1", "infrared-2"):
        shutil.rmtree(trial / name)
    (trial / "trial.toml").write_text(toml_text(table))
    return trial, taken


def test_two_views_in_one_film_place_the_markers(stereo, tmp_path) -> None:
    trial, taken = stereo
    assert main(["locate", str(trial), "--out", str(tmp_path / "located"), "--quiet"]) == 0
    found, true = read_trial(tmp_path / "located").markers, taken.trial.markers
    off = []
    for column, label in enumerate(found.labels):
        away = found.position[:, column] - true.position[:, true.labels.index(label)]
        off.append(np.linalg.norm(away, axis=1)[np.isfinite(away[:, 0])])
    every = np.concatenate(off)
    assert every.size > 300 and every.max() < 5e-3 and np.median(every) < 1e-3
    sheets = {path.name for path in (tmp_path / "located").glob("infrared-*.png")}
    assert sheets == {"infrared-1.png", "infrared-2.png", "infrared-3.png"}


CAMERA = """[[cameras]]
name = "{name}"
rate = "500 Hz"
size = [640, 240]
shows = "dots"
projection = [[800, 0, 0, 300], [0, 0, -800, 120], [0, 0, 0, 1]]
frames = "both.tif"
clock = {{ offset = "0 s", offset_sd = "0 s" }}
window = [{left}, 0, 320, 240]
"""


@pytest.fixture
def two(tmp_path):
    """A folder of a trial whose film has two views."""
    black = np.zeros((3, 240, 640), np.uint8)
    tifffile.imwrite(tmp_path / "both.tif", black, photometric="minisblack")
    straight = np.array([[800.0, 0, 0, 300], [0, 0, -800, 120], [0, 0, 0, 1]])
    write_calibration(tmp_path / "c.toml", Calibration((640, 240), straight), {})
    (tmp_path / "tip.csv").write_text("frame,feature,u [px],v [px]\n0,tip,400,100\n")
    text = "".join(CAMERA.format(name=n, left=u) for n, u in (("left", 0), ("right", 320)))
    write_small_trial(tmp_path, described() + text)
    return tmp_path


def test_two_windows_are_read(two, capsys) -> None:
    assert main(["check", str(two)]) == 0
    from lashwave.files import read_pictures

    left, right = read_pictures(two).trial.cameras
    assert left.window == (0, 0, 320, 240) and right.window == (320, 0, 320, 240)
    assert left.size == right.size == (640, 240)


FAULTS = {
    "not four": ("[320, 0, 320, 240]", "[320, 0, 320]", "cameras[1].window"),
    "half pixels": ("[320, 0, 320, 240]", "[320.5, 0, 300, 240]", "four whole numbers"),
    "beyond the picture": ("[320, 0, 320, 240]", "[330, 0, 320, 240]", "leaves the picture"),
    "a slip": ("[320, 0, 320, 240]", "[320, 0, 3, 240]", "narrower"),
    "overlapping": ("[320, 0, 320, 240]", "[300, 0, 320, 240]", "overlaps that of 'left'"),
    "unlike clocks": ('"0 s", offset_sd = "0 s" }}\nwindow = [320'.replace("}}", "}"), '"1 s", offset_sd = "0 s" }\nwindow = [320', "not that of 'left'"),
    "no centre": ("[0, 0, 0, 1]]", "[0.1e-5, 0, 0, 1]]", "has no centre"),
    "no flag": ("window = [320", 'mirrored = "yes"\nwindow = [320', "neither true nor false"),
    "a point of the other view": ('shows = "dots"', 'points = "tip.csv"\nsd = "1 px"\nstations = { tip = 2.4 }', "outside the camera's window"),
    "beside a calibration": ("projection =", 'calibration = "c.toml"\nmirrored = true\n#', "cameras[0].mirrored"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_a_window_is_one_line(two, name: str, capsys) -> None:
    old, new, said = FAULTS[name]
    text = (two / "trial.toml").read_text()
    assert old in text
    (two / "trial.toml").write_text(text.replace(old, new, 1))
    assert main(["check", str(two)]) == 2
    told = capsys.readouterr().err
    assert said in told and told.count("\n") == 1, told


@pytest.mark.parametrize("left", [0, 680])
def test_a_plan_refuses_points_outside_the_window(tmp_path, left: int, capsys) -> None:
    tables(tmp_path, project_points(FULL, POINTS)[0])
    window = f"size = [1280, 1024]\nwindow = [{left}, 0, 600, 1024]"
    assert calibrated(tmp_path, window, "") == 2
    said = capsys.readouterr().err
    assert "outside the camera's window" in said and said.count("\n") == 1
