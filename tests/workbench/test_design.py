"""`lashwave design` as a user runs it, small."""

from __future__ import annotations

import csv
import json

import pytest

from lashwave.workbench.cli import main

PROBLEM = """
[limits]
length = "2.0 m"
mass = "80 g"
diameters = ["2 mm", "4 mm", "7 mm"]
grip_force = "15 N"
[hand]
speed = "9 m/s"
[cord]
cord_density = "850 kg/m^3"
"""


def test_a_design_is_written_printed_and_drawn(tmp_path, capsys, monkeypatch):
    from lashwave.study import line_design

    # four cords in place of 64: seconds
    monkeypatch.setattr(line_design.cords, "__defaults__", (4, 0))
    (tmp_path / "p.toml").write_text(PROBLEM)
    out = tmp_path / "out"
    asked = ["design", str(tmp_path / "p.toml"), "--out", str(out), "--throws", "24"]
    assert main([*asked, "--processes", "1", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "caution: a faster tip hurts more" in said and "peak_speed [m/s]" in said
    record = json.loads((out / "design.json").read_text())
    speed = record["outputs"]["peak_speed"]
    assert speed["low95"] <= speed["median"] <= speed["high95"]
    rows = list(csv.reader((out / "line.csv").open()))
    assert rows[0][:3] == ["station [m]", "diameter [m]", "linear_density [kg/m]"]
    station, diameter, density = ([float(row[k]) for row in rows[1:]] for k in range(3))
    assert station[0] == 0.0 and station[-1] == pytest.approx(2.0)
    # the table weighs what the design says
    weight = sum(
        0.5 * (a + b) * (y - x)
        for x, y, a, b in zip(station[:-1], station[1:], density[:-1], density[1:], strict=True)
    )
    assert weight == pytest.approx(record["inputs"]["mass"]["value"], rel=0.01)
    assert max(diameter) <= 7e-3 and min(diameter) >= 2e-3
    page = (out / "design.html").read_text()
    assert "<svg" in page and "caution" in page and "http" not in page.split("<body>")[1][:200]
    assert 12 < len((out / "throws.csv").read_text().splitlines()) - 1 <= 24


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('mass = "80 g"', 'mass = "80 m"'), "mass"),
        (("diameters = ", "diameter_list = "), "did you mean 'diameters'"),
        (('"7 mm"]', '"7 mm", "7 mm"]'), "unlike"),
        (('speed = "9 m/s"', 'speed = "9 m/s"\namplitude = "1 m"'), "amplitude"),
        (('length = "2.0 m"', 'length = "-2.0 m"'), "not above 0"),
        (('length = "2.0 m"\n', ""), "length: is missing"),
        (('diameters = ["2 mm", "4 mm", "7 mm"]', 'diameter = "3 mm"'), "low and high"),
    ],
)
def test_a_problem_at_fault_is_one_line_and_nothing_is_written(tmp_path, capsys, change, words):
    (tmp_path / "p.toml").write_text(PROBLEM.replace(*change))
    assert main(["design", str(tmp_path / "p.toml"), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and words in said.replace("limits.", "")
    assert not (tmp_path / "out").exists()
