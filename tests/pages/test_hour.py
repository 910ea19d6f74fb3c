"""The whole first hour in a real browser: demo, open, crack, value, mend, run, compare, export.

The demo's throw is replaced by a small one that is fitted in a minute; all else is what a new user
meets: the command's own words, its own server, its own run.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from lashwave import twin
from lashwave.files import read_trial
from lashwave.workbench import cli
from tests.pages.conftest import Watched, bench, says, until
from tests.workbench.small_throw import small_throw

PATIENCE = 240.0
"""For one step on a machine that has other work to do [s]."""


def told_by_the_demo(out: Path, monkeypatch: Any, capsys: Any) -> str:
    """What `lashwave demo` says is to be typed next."""
    monkeypatch.setattr(twin, "make", lambda **wishes: small_throw())
    assert cli.main(["demo", "--out", str(out), "--quiet"]) == 0
    last: str = capsys.readouterr().out.splitlines()[-1]
    return last.split(" open ", 1)[1]


@pytest.mark.slow
def test_the_first_hour(browser: Any, tmp_path: Path, monkeypatch: Any, capsys: Any) -> None:
    out = tmp_path / "out"
    place = told_by_the_demo(out, monkeypatch, capsys)
    assert place == str(out / "demo")
    text = (out / "demo" / "trial.toml").read_text(encoding="utf-8")
    numbers = [w for w in text.replace('"', " ").split() if w.replace(".", "").isdigit()]
    assert numbers and max(len(n.replace(".", "")) for n in numbers) <= 6  # as a person notes them
    length = read_trial(out / "demo").line.length
    call = [sys.executable, "-m", "lashwave.workbench.cli", "open", place, "--no-browser"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = server.stdout.readline().strip()
            one = Watched(browser, accept_downloads=True)
            walk(one.page, address, length, out, tmp_path)
            one.close()
        finally:
            server.send_signal(signal.SIGINT)
            status = server.wait(timeout=60)
    assert status == 0
    assert os.listdir(out / "demo") and (out / "demo.mends.toml").is_file()


def walk(page: Any, address: str, length: float, out: Path, tmp_path: Path) -> None:
    """From the crack to files in hand."""
    page.set_default_timeout(1e3 * PATIENCE)
    page.goto(address)
    until(page, "window.lashwave?.player?.meter.summary().frames > 0", PATIENCE)
    peak = bench(page, "bench.info.quantities.peak_tip_speed_time.value")
    window = bench(page, "bench.window.value")
    assert window["from"] < peak < window["to"] and window["to"] - window["from"] <= 0.0301
    map_box = page.locator("[data-view=speed] .host").bounding_box()
    page.mouse.move(map_box["x"] + 0.6 * map_box["width"], map_box["y"] + 4)
    says(page, "[data-view=speed] .pointer-tip", " ± ", "m/s")
    said = page.locator("[data-view=speed] .pointer-tip").inner_text()
    station = float(said.split("station ")[1].split(" m")[0])
    assert station == pytest.approx(length, rel=0.1)  # the upper edge is the tip
    page.keyboard.press("3")
    page.select_option(".mend-form select[name=marker]", "M02")
    page.fill(".mend-form input[name=from]", "10")
    page.fill(".mend-form input[name=to]", "40")
    page.fill(".mend-form input[placeholder='goes into the report']", "a sleeve before it")
    page.locator(".mend-form button.main").click()
    page.wait_for_selector(".mends li:has-text('sleeve')")
    page.wait_for_selector(".summary:has-text('inputs changed')")
    page.locator(".run button.main").click()
    page.wait_for_selector(".progress")
    page.wait_for_selector(".summary a:has-text('before and after')", timeout=900_000)
    assert "inputs changed" not in page.inner_text(".summary")
    page.locator(".summary a", has_text="before and after").click()
    page.wait_for_selector(".overlaid svg path")
    says(page, ".compared tbody", "±")
    page.go_back()
    page.wait_for_selector("[data-view=line] canvas.sheet")
    page.keyboard.press("4")
    with page.expect_download() as waiting:
        page.get_by_role("link", name="All answer files").click()
    waiting.value.save_as(tmp_path / "answers.zip")
    with zipfile.ZipFile(tmp_path / "answers.zip") as packed:
        summary = json.loads(packed.read("demo/summary.json"))
    assert any("sleeve before it" in line for line in summary["warnings"])
    with page.expect_download() as waiting:
        page.locator("[data-view=plot-1] summary").click()
        page.locator("[data-view=plot-1] .save button", has_text="PNG").click()
    assert waiting.value.suggested_filename == "demo-plot-1.png"
