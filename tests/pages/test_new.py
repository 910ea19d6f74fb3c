"""A new trial from instrument files: recognised, marked on the line, checked, written once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lashwave.files.trial_folder import read_trial
from tests.pages import trials
from tests.pages.conftest import Server, Watched, soon


def test_from_files_to_a_trial_that_can_be_read(browser: Any, tmp_path: Path) -> None:
    raw = trials.instruments_only(tmp_path, "raw")
    served, one = Server(tmp_path), Watched(browser)
    page = one.page
    page.goto(served.address("new"))
    page.fill("input[name=path]", "raw")
    page.locator("button", has_text="Look inside").click()
    page.wait_for_selector(".step table")
    table = page.inner_text(".step table")
    assert "markers.csv" in table
    assert "line.csv" in table
    assert page.input_value("input[aria-label='unit of x in markers.csv']") == "m"

    page.fill("input[name='trial.name']", "bench-12")
    for label, share in (("M01", 0.05 / 2.4), ("M12", 2.25 / 2.4)):
        page.locator(".label button", has_text=label).click()
        picture = page.locator(".line-picture").bounding_box()
        x = picture["x"] + picture["width"] * (0.03 + 0.94 * share)
        page.mouse.click(x, picture["y"] + 0.5 * picture["height"])
    station = "input[aria-label='station of M12']"
    soon(page, lambda: page.input_value(station)[-2:], " m")
    assert float(page.input_value(station).split()[0]) == pytest.approx(2.25, abs=0.01)

    # two faults in one part and one in another are marked at once, each by its own field
    wrong = {"markers.sd": "3 s", "markers.mass": "9 kg", "air.temperature": "3 kg"}
    for name, value in wrong.items():
        page.fill(f"input[name='{name}']", value)
    for name in wrong:
        page.wait_for_selector(f"label.wrong input[name='{name}']")
    for name, value in zip(wrong, ("0.3 mm", "0.1 g", "20 degC"), strict=True):
        page.fill(f"input[name='{name}']", value)
    page.wait_for_selector("label.wrong input[name^='markers']", state="detached")

    while page.locator("fieldset").count():
        page.locator("fieldset button", has_text="Remove").first.click()
    page.wait_for_selector(".preview .good")
    page.fill("input[name=folder]", "bench-12")
    page.locator("button", has_text="Write the trial").click()
    page.wait_for_url("**#/trial/bench-12")
    made = read_trial(tmp_path / "bench-12")
    assert not (raw / "trial.toml").exists()
    assert made.name == "bench-12"
    assert made.markers.station[made.markers.labels.index("M12")] == pytest.approx(2.25, abs=0.01)
    one.close()
    served.stop()


def test_what_is_entered_outlives_a_reload(page: Any, server: Server, folder: Path) -> None:
    page.goto(server.address("new"))
    page.fill("input[name=path]", "no such folder")
    page.locator("button", has_text="Look inside").click()
    page.wait_for_selector("[role=alert]")
    page.reload()
    soon(page, lambda: page.input_value("input[name=path]"), "no such folder")
