"""A wand calibrated from films alone: dots found, the wand's told apart, the floor's named."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from lashwave.calibrate import UndeterminedError, Wand, dots_of_points
from lashwave.calibrate.pinhole import project_points
from lashwave.calibrate.pose import calibration_of
from lashwave.files.calibration_toml import read_calibration, write_calibration
from lashwave.files.source import Folder
from lashwave.instruments import project
from lashwave.quantities import Camera, Clock
from lashwave.workbench.cli import main
from tests.calibrate import test_wand as wands
from tests.points.rendered import noisy, spots

SIZE, NAMES = (480, 384), ("left", "middle", "right")
PLAN = """kind = "wand"
[wand]
dots = ["A", "B", "C"]
gaps = ["150 mm", "350 mm"]
known = "floor.csv"
known_sd = "0.5 mm"
"""


def rig() -> np.ndarray:
    """Three of the wand tests' cameras with smaller pictures."""
    full = wands.rig(3).copy()
    full[:, :4] *= SIZE[0] / wands.SIZE[0]
    return full


def draw(path: Path, full: np.ndarray, frames: np.ndarray, seed: int) -> None:
    """A film of points (F, D, 3) as bright dots, some 3 px wide, with noise of 2 of 255."""
    rng = np.random.default_rng(seed)
    pages = []
    for points in frames:
        uv = project_points(full, points)[0]
        inside = ((uv > 4) & (uv < np.array(SIZE) - 5)).all(axis=1)
        pages.append(noisy(spots(SIZE, uv[inside], 120.0, 1.3), 20.0, 2.0, rng))
    tifffile.imwrite(path, np.stack(pages), photometric="minisblack", compression="zlib")


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wand")
    wand = wands.waved(45, Wand(np.array([0.0, 0.15, 0.5])))
    both = np.concatenate([wand, np.tile(wands.FLOOR, (len(wand), 1, 1))], axis=1)
    lens = wands.LENS.copy()
    lens[:4] *= SIZE[0] / wands.SIZE[0]
    text = PLAN
    for number, (name, full) in enumerate(zip(NAMES, rig(), strict=True)):
        draw(folder / f"{name}.tif", full, both, number)
        exact = calibration_of(np.append(lens, np.zeros(6)), (), np.empty((0, 0)), SIZE)
        write_calibration(folder / f"{name}-lens.toml", exact, {})
        text += f'[[cameras]]\nname = "{name}"\nlens = "{name}-lens.toml"\n'
        text += f'frames = "{name}.tif"\n'
    rows = [f"F{k},{x},{y},{z}" for k, (x, y, z) in enumerate(wands.FLOOR)]
    (folder / "floor.csv").write_text("point,x [m],y [m],z [m]\n" + "\n".join(rows) + "\n")
    (folder / "plan.toml").write_text(text)
    return folder


def run(folder: Path, plan: str = "plan.toml") -> int:
    return main(["calibrate", str(folder / plan), "--out", str(folder / "out.toml")])


def test_films_alone_place_the_cameras(films: Path, capsys) -> None:
    assert run(films) == 0
    said = capsys.readouterr().out
    assert "moving dots in" in said and "5 at rest" in said
    truth = wands.true_places(rig())
    for name, place in zip(NAMES, truth, strict=True):
        found = read_calibration(Folder(films), f"out-{name}.toml", "test", None, "calibration")
        assert found.camera == name
        # Dots of some 0.03 px and the floor's 0.5 mm, 3.5 m off.
        assert np.abs(wands.place_of(found) - place).max() < 5e-3
        assert found.reprojection_sd < 0.1


def test_one_camera_of_the_wand_looks_through_a_mirror(films: Path, tmp_path: Path) -> None:
    """Its pictures, and so its lens, are those of an ordinary camera turned over; where it puts
    points is turned over too."""
    for file in films.iterdir():
        if file.is_file():
            shutil.copy(file, tmp_path)
    pages = tifffile.imread(films / "middle.tif")[:, :, ::-1]
    tifffile.imwrite(tmp_path / "middle.tif", pages, photometric="minisblack", compression="zlib")
    lens = wands.LENS.copy()
    lens[:4] *= SIZE[0] / wands.SIZE[0]
    lens[2], lens[7] = SIZE[0] - 1 - lens[2], -lens[7]
    turned = calibration_of(np.append(lens, np.zeros(6)), (), np.empty((0, 0)), SIZE)
    write_calibration(tmp_path / "middle-lens.toml", turned, {})
    text = (films / "plan.toml").read_text()
    frames = 'frames = "middle.tif"\n'
    (tmp_path / "plan.toml").write_text(text.replace(frames, frames + "mirrored = true\n"))
    assert run(tmp_path) == 0
    points = wands.FLOOR + np.array([0.1, 0.05, 0.6])
    for name, full in zip(NAMES, rig(), strict=True):
        found = read_calibration(Folder(tmp_path), f"out-{name}.toml", "test", None, "calibration")
        assert found.mirrored == (name == "middle")
        camera = Camera(
            name, 500.0, SIZE, found.projection, Clock(), 0.1, intrinsics=found.intrinsics,
            distortion=found.distortion, mirrored=found.mirrored,
        )  # fmt: skip
        uv = project_points(full, points)[0]
        if found.mirrored:
            uv[:, 0] = SIZE[0] - 1 - uv[:, 0]
        assert np.abs(project(camera, points) - uv).max() < 0.5


def test_a_wand_of_two_dots_needs_labels(films: Path, capsys) -> None:
    text = (films / "plan.toml").read_text()
    two = text.replace('["A", "B", "C"]', '["A", "B"]').replace('["150 mm", "350 mm"]', '["0.5 m"]')
    (films / "two.toml").write_text(two)
    assert run(films, "two.toml") == 2
    said = capsys.readouterr().err
    assert "two dots, which look alike" in said and said.count("\n") == 1


def test_a_table_beside_a_film_is_refused(films: Path, capsys) -> None:
    text = (films / "plan.toml").read_text()
    (films / "both.toml").write_text(text + 'seen = "floor.csv"\n')
    assert run(films, "both.toml") == 2
    assert "stands beside a table" in capsys.readouterr().err


def exact(full: np.ndarray):
    return calibration_of(np.append(full[:9], np.zeros(6)), (), np.empty((0, 0)), wands.SIZE)


@pytest.mark.parametrize("extra", [0, 3])
def test_known_points_are_named_among_reflections(extra: int) -> None:
    rng, full = np.random.default_rng(1), wands.rig()[0]
    uv = project_points(full, wands.FLOOR)[0] + 0.3 * rng.standard_normal((5, 2))
    dots = np.concatenate([uv, rng.uniform(100, 900, (extra, 2))])
    order = rng.permutation(len(dots))
    found = dots_of_points(wands.FLOOR, dots[order], exact(full))
    np.testing.assert_array_equal(order[found], np.arange(5))


def test_points_that_look_alike_are_not_named() -> None:
    full = wands.rig()[0]
    square = np.array([[0, 0, 0], [0.8, 0, 0], [0.8, 0.8, 0], [0, 0.8, 0]])
    with pytest.raises(UndeterminedError, match="look alike"):
        dots_of_points(square, project_points(full, square)[0], exact(full))
