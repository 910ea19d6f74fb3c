"""A throw in pictures of the second renderer, one of whose three cameras was moved beforehand.

Whole commands: what they say of the camera, and where they put the markers.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

import lashwave.estimate
from benchmarks.second_pictures import Eye, Sensor, balls
from lashwave.files import read_trial, toml_text
from lashwave.workbench.cli import main
from tests.small_trial import LINE, described
from tests.workbench.conftest import estimate

FRAMES, RATE = 48, 500.0
STATIONS = {f"M{k + 1:02d}": s for k, s in enumerate((0.05, 0.15, 0.5, 0.9, 1.3, 1.7, 2.1))}
EYES = [
    Eye("left", (-2.6, -3.0, 1.5), (0.8, 0.0, 0.6), 560.0, size=(720, 560)),
    Eye("middle", (1.0, -3.9, 0.7), (0.9, 0.0, 0.7), 560.0, size=(720, 560)),
    Eye("right", (4.2, -2.4, 1.7), (0.9, 0.0, 0.6), 560.0, size=(720, 560)),
]
MARKS = np.array([
    [-0.3, 0.7, 0.0], [1.9, 0.9, 0.1], [0.6, 1.2, 1.9], [1.6, 0.8, 1.3], [0.2, 1.0, 1.2],
    [1.2, 0.6, -0.1],
])  # fmt: skip
PUSHED = replace(EYES[2], place=(4.215, -2.41, 1.72), aim=(0.915, 0.03, 0.63))
"""The right one, as it stands in this throw."""


def motion() -> tuple[np.ndarray, np.ndarray]:
    """(T, L, 3) [m], [m/s] of a straight line that swings about its butt, a little from plane."""
    time = np.arange(FRAMES) / RATE
    angle, lean = 0.2 + 9.0 * time, 0.25 * np.sin(12.0 * time)
    along = np.stack([np.cos(angle) * np.cos(lean), np.sin(lean), np.sin(angle) * np.cos(lean)], 1)
    place = np.array(list(STATIONS.values()))[None, :, None] * along[:, None]
    return place, np.gradient(place, 1.0 / RATE, axis=0)


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Films of the throw, the marks at rest in each."""
    folder, rng = tmp_path_factory.mktemp("films"), np.random.default_rng(6)
    place, speed = motion()
    for eye in (*EYES[:2], PUSHED):
        pages = [
            balls(
                eye, Sensor(), np.concatenate([p, MARKS]),
                np.concatenate([v, np.zeros_like(MARKS)]), np.full(len(p) + len(MARKS), 7e-3),
                1e-4, rng,
            )
            for p, v in zip(place, speed, strict=True)
        ]  # fmt: skip
        tifffile.imwrite(folder / f"{eye.name}.tif", np.stack(pages), photometric="minisblack")
    return folder


def table(eye: Eye, **more: object) -> dict[str, object]:
    """A [[cameras]] table by the eye's true optics."""
    inner = np.array([[eye.focal, 0, eye.middle[0]], [0, eye.focal, eye.middle[1]], [0, 0, 1]])
    pose = np.column_stack([eye.turn, -eye.turn @ np.array(eye.place)])
    return {
        "name": eye.name, "rate": "500 Hz", "size": list(eye.size), "shows": "dots",
        "projection": (inner @ pose).tolist(), "intrinsics": inner.tolist(),
        "distortion": [*eye.lens, 0.0], "registration_sd": "0.1 px",
        "frames": f"{eye.name}.tif", "clock": {"offset": "0 s", "offset_sd": "0 s"},
    } | more  # fmt: skip


@pytest.fixture
def trial(films: Path, tmp_path: Path) -> Path:
    """The trial, whose right camera is stated as it was before it was pushed."""
    folder = tmp_path / "trial"
    folder.mkdir()
    for eye in EYES:
        (folder / f"{eye.name}.tif").write_bytes((films / f"{eye.name}.tif").read_bytes())
    (folder / "line.csv").write_text(LINE)
    rows = ["point,x [m],y [m],z [m],sd [m]"]
    rows += [f"F{k},{x},{y},{z},0.0002" for k, (x, y, z) in enumerate(MARKS)]
    (folder / "marks.csv").write_text("\n".join(rows) + "\n")
    stated(folder)
    return folder


def stated(folder: Path, **right: object) -> None:
    whole = tomllib.loads(described(stations=STATIONS))
    del whole["markers"]["file"]
    cameras = [table(EYES[0]), table(EYES[1]), table(EYES[2], **right)]
    (folder / "trial.toml").write_text(toml_text(whole | {"cameras": cameras}))


def misses(position: np.ndarray) -> np.ndarray:
    """Distances [m] of found places (T, K, 3) from the nearest true ones."""
    true, _ = motion()
    every = np.concatenate([true, np.broadcast_to(MARKS, (FRAMES, *MARKS.shape))], axis=1)
    away = np.linalg.norm(position[:, :, None] - every[:, None], axis=-1).min(axis=2)
    return away[np.isfinite(away)]


def located(folder: Path, capsys) -> tuple[str, np.ndarray]:
    out = folder.parent / "located"
    assert main(["locate", str(folder), "--out", str(out), "--quiet", "--json"]) == 0
    said = " ".join(json.loads(capsys.readouterr().out)["notes"])
    return said, misses(read_trial(out).markers.position)


def test_locate_says_which_camera_moved_and_uses_the_others(trial: Path, capsys) -> None:
    said, off = located(trial, capsys)
    assert "camera right: it was moved since it was calibrated" in said
    assert "write register = true to use it so, or calibrate it anew" in said
    assert np.sqrt(np.mean(off**2)) < 2e-3


def test_locate_uses_the_camera_as_it_stands_where_it_is_asked_to(trial: Path, capsys) -> None:
    stated(trial, register=True)
    said, off = located(trial, capsys)
    assert "it is used as it stands now, known to" in said
    assert len(off) > 0.9 * FRAMES * len(STATIONS) and np.sqrt(np.mean(off**2)) < 1e-3
    # Three cameras know each point better than the two that stood alone.
    three = np.nanmedian(read_trial(trial.parent / "located").markers.sd)
    stated(trial, register=False)
    located(trial, capsys)
    two = np.nanmedian(read_trial(trial.parent / "located").markers.sd)
    assert three < 0.85 * two


def test_a_ring_that_stands_as_calibrated_is_not_spoken_of(trial: Path, capsys) -> None:
    now = {k: v for k, v in table(PUSHED).items() if k in ("projection", "intrinsics")}
    stated(trial, **now)
    said, _ = located(trial, capsys)
    assert "moved" not in said


@pytest.mark.parametrize("asked", [False, True])
def test_check_says_it_by_the_points_and_what_becomes_of_it(trial: Path, capsys, asked) -> None:
    stated(trial, register=asked)
    assert main(["check", str(trial), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["findings"]
    own = next(f for f in found if f["about"] == "right")
    assert own["text"].startswith("it was moved since it was calibrated")
    assert ("it is used as it stands now" in own["text"]) is asked
    assert own["level"] == ("note" if asked else "care")


def test_check_says_nothing_of_cameras_that_agree(trial: Path, capsys) -> None:
    now = {k: v for k, v in table(PUSHED).items() if k in ("projection", "intrinsics")}
    stated(trial, **now)
    assert main(["check", str(trial)]) == 0
    assert "moved" not in capsys.readouterr().out


def test_reconstruct_takes_a_camera_as_its_marks_say(trial: Path, quick, capsys) -> None:
    """The whole command but for the fusion, which is given markers of all three cameras."""
    given = []

    def watched(whole, options, progress):
        given.append(whole)
        return estimate(whole, options, progress)

    quick.setattr(lashwave.estimate, "estimate", watched, raising=False)
    stated(trial, marks="marks.csv", register=True)
    out = trial.parent / "answers"
    assert main(["reconstruct", str(trial), "--out", str(out), "--quiet"]) == 0, capsys.readouterr()
    said = " ".join(json.loads((out / "summary.json").read_text())["warnings"])
    assert "camera right: it was moved since it was calibrated: 6 of 6 marks" in said
    assert "it is used as it stands now" in said and "write register = true" not in said
    off = misses(given[0].markers.position)
    assert np.sqrt(np.mean(off**2)) < 1e-3
