"""The first hour's worked example, and the README's picture, are made and looked at for real."""

from __future__ import annotations

import json
import re
import runpy
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.files.trial_folder import read_trial
from lashwave.instruments.camera import project
from lashwave.quantities.sightings import Camera
from lashwave.workbench.cli import main
from tests.test_docs import ROOT, blocks

PAGE = (ROOT / "docs" / "first-hour.md").read_text(encoding="utf-8")
OMEGA, LEVEL, GRIP = 10.0, 0.42, np.array([-0.5, 0.0, 1.0])
"""A straight line turns about its butt: its rate [rad/s], when it is level [s], the butt [m]."""


def place(time: np.ndarray, station: float) -> np.ndarray:
    """(T, 3) [m]: the straight line of the example, which passes the camera's view."""
    angle = OMEGA * (time - LEVEL)
    along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=1)
    return GRIP + station * along


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page's trial: its own line and trial.toml, and instruments that saw a turning line."""
    out = tmp_path_factory.mktemp("first") / "my-first"
    out.mkdir()
    (text,) = blocks(PAGE, "toml")
    tables = [block for block in blocks(PAGE, "text") if not block.startswith("projection")]
    table, marker_head, tip_head = tables
    (out / "trial.toml").write_text(text, encoding="utf-8")
    (out / "line.csv").write_text(table, encoding="utf-8")
    rng = np.random.default_rng(0)
    time, rows = np.arange(0.0, 0.5, 0.002), [marker_head.strip()]
    for label, station in re.findall(r'^([GM]\d) = "([\d.]+) m"', text, flags=re.MULTILINE):
        seen = place(time, float(station)) + rng.normal(0.0, 3e-4, (time.size, 3))
        rows += [
            f"{t:.3f},{label},{x:.5f},{y:.5f},{z:.5f}"
            for t, (x, y, z) in zip(time, seen, strict=True)
        ]
    (out / "markers.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    frame = np.arange(220, 580)
    tip = place(0.4 + frame / 20e3, 2.0)
    uv = np.stack([2000 * tip[:, 0] - 2500, 2400 - 2000 * tip[:, 2]], axis=1)
    uv += rng.normal(0.0, 0.5, uv.shape)
    rows = [
        tip_head.strip(),
        *(f"{k},tip,{u:.2f},{v:.2f}" for k, (u, v) in zip(frame, uv, strict=True)),
    ]
    (out / "tip.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return out


def test_the_worked_trial_is_usable(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"] == "usable", found
    (note,) = found["findings"]
    assert note["level"] == "note" and "from 2 droop tests" in note["text"]


def seen_at(camera: Camera, x: float, y: float, z: float) -> list[float]:
    """Where a place [m] is in the image [px]."""
    return np.ravel(project(camera, np.array([[x, y, z]]))).tolist()


def test_the_projection_does_what_the_page_says(folder: Path) -> None:
    (camera,) = read_trial(folder).cameras
    assert seen_at(camera, 1.5, -3.0, 1.0) == pytest.approx([500, 400])
    assert seen_at(camera, 1.51, 2.0, 1.01) == pytest.approx([520, 380])
    assert seen_at(camera, 1.25, 0.0, 1.2) == pytest.approx([0, 0])
    assert seen_at(camera, 1.75, 0.0, 0.8) == pytest.approx(camera.size)


def test_the_lens_sees_as_the_page_says(folder: Path) -> None:
    (camera,) = read_trial(folder).cameras
    (text,) = [block for block in blocks(PAGE, "text") if block.startswith("projection")]
    rows = re.findall(r"\[([-\d., ]+)\]", text)
    matrix = np.array([[float(number) for number in row.split(",")] for row in rows])
    lens = replace(camera, projection=matrix)
    assert seen_at(lens, 0.0, 0.0, 1.0) == pytest.approx([500, 400])
    x, y, z = 0.4, 1.0, 1.3
    expected = [500 + 2500 * x / (y + 5), 400 - 2500 * (z - 1) / (y + 5)]
    assert seen_at(lens, x, y, z) == pytest.approx(expected)


def test_the_picture_is_drawn_of_a_folder_of_answers(tmp_path: Path) -> None:
    from lashwave.files.results import write_results
    from tests.report import invented

    trial = invented.trial()
    fit = invented.fit(trial, times=60, stations=12)
    report = {"report.html": b"<html></html>", "report.pdf": b"%PDF-"}
    lists = invented.lists(fit)
    write_results(tmp_path / "demo", fit, invented.answers(fit), lists, report, trial, {})
    script = runpy.run_path(str(ROOT / "docs" / "write_picture.py"))
    script["write"](tmp_path / "demo", tmp_path / "demo.png")
    drawn = cv2.imread(str(tmp_path / "demo.png"))
    kept = cv2.imread(str(ROOT / "docs" / "demo.png"))
    assert drawn.shape == kept.shape
    left, right = drawn[:, : drawn.shape[1] // 2], drawn[:, drawn.shape[1] // 2 :]
    assert left.std() > 5.0 and right.std() > 5.0
