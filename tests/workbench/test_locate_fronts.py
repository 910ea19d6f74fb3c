"""`locate` finds fronts where no tip is in view: in real frames, and none where nothing happens."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.workbench.cli import main
from tests.points.test_real_fronts import FRAMES, MARKED

TRIAL = """schema = 1
[trial]
name = "passage"
[air]
temperature = "20 degC"
[line]
table = "line.csv"
[markers]
file = "markers.csv"
sd = "1 mm"
[markers.stations]
A = "0.1 m"
B = "0.9 m"
[[cameras]]
name = "passage"
rate = "2 kHz"
size = [960, 880]
exposure = "495 us"
frames = "frames/*.png"
projection = [[7712.5, 0, 0, 0], [0, 0, -7712.5, 800], [0, 0, 0, 1]]
clock = { offset = "0 s", offset_sd = "1 ms" }
"""


def trial(folder: Path, pictures: list[np.ndarray]) -> Path:
    """A trial whose line hangs still beside what a camera sees."""
    (folder / "frames").mkdir(parents=True)
    for number, picture in enumerate(pictures):
        cv2.imwrite(str(folder / "frames" / f"{number:03d}.png"), picture)
    (folder / "trial.toml").write_text(TRIAL, encoding="utf-8")
    (folder / "line.csv").write_text(
        "station [m],diameter [mm],linear_density [g/m]\n0,3,6\n1,3,6\n", encoding="utf-8"
    )
    rows = [f"{k / 500},{m},0,0,{z}" for k in range(25) for m, z in (("A", 1.9), ("B", 1.1))]
    (folder / "markers.csv").write_text(
        "\n".join(["time [s],marker,x [m],y [m],z [m]", *rows]) + "\n", encoding="utf-8"
    )
    return folder


def located(folder: Path, *more: str) -> dict[int, np.ndarray]:
    """Points of fronts by frame, (P, 2) [px]."""
    out = folder.parent / "out"
    assert main(["locate", str(folder), "--out", str(out), "--quiet", *more]) == 0
    table = out / "passage-fronts.csv"
    if not table.exists():
        return {}
    rows = np.loadtxt(table, delimiter=",", skiprows=1)
    shutil.rmtree(out)
    return {int(f): rows[rows[:, 0] == f, 2:4] for f in np.unique(rows[:, 0])}


@pytest.fixture(scope="module")
def real() -> list[np.ndarray]:
    files = sorted(FRAMES.glob("frame_*.png"))
    if not files:
        pytest.skip("../shared/data/schlieren_2khz is not here")
    return [cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in files]


def test_fronts_of_real_frames_are_within_a_pixel_and_few_are_missed(tmp_path, real) -> None:
    found = located(trial(tmp_path / "trial", real))
    off, missed = [], 0
    for (_, row), marks in MARKED.items():
        for frame, u in marks.items():
            uv = found.get(frame, np.empty((0, 2)))
            near = uv[np.abs(uv[:, 1] - row) < 7.0]
            away = near[np.abs(near[:, 0] - u) < 8.0]
            missed += not len(away)
            # The fronts are steep: a line through the points about the row gives the place in it.
            if len(away) >= 2:
                off.append(np.polyval(np.polyfit(away[:, 1] - row, away[:, 0], 1), 0.0) - u)
    assert missed <= 0.1 * sum(len(marks) for marks in MARKED.values())
    assert len(off) > 25 and np.sqrt(np.mean(np.square(off))) < 1.0


def test_a_stated_stretch_is_searched_and_no_more(tmp_path, real) -> None:
    found = located(trial(tmp_path / "trial", real), "--front-frames", "3", "7")
    assert sorted(found) == [3, 4, 5, 6, 7]


def test_nothing_is_found_where_nothing_happens(tmp_path, real) -> None:
    still = np.median(np.stack(real), axis=0)
    rng = np.random.default_rng(0)
    noisy = [
        np.clip(np.rint(still + rng.normal(0.0, 2.0, still.shape)), 0, 255).astype(np.uint8)
        for _ in range(12)
    ]
    assert located(trial(tmp_path / "trial", noisy)) == {}


def test_a_stretch_outside_the_record_is_refused(tmp_path, real, capsys) -> None:
    folder = trial(tmp_path / "trial", real[:6])
    words = ["locate", str(folder), "--out", str(tmp_path / "out"), "--quiet"]
    assert main([*words, "--front-frames", "3", "9"]) == 2
    said = capsys.readouterr().err
    assert "3 to 9 is no stretch of the record" in said and "0 to 5" in said
    assert not (tmp_path / "out" / "trial.toml").exists()
