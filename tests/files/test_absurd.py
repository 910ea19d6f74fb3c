"""Content that no lab can have is said, with the value as the file has it."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.fields import parse_toml
from lashwave.files.trial_folder import read_trial
from lashwave.pipeline.checkup import inspect
from lashwave.quantities import InputError
from tests.files.c3d_writer import write_c3d
from tests.test_bad_input import build

EDITS = {
    "sd of a camera": ("trial.toml", 'sd = "0.4 px"', "sd = 1e-320", "1e-320"),
    "sensitivity": ("trial.toml", "position = [1.2", "sensitivity = 0\nposition = [1.2", "0 is"),
    "date": ("trial.toml", "date = 2026-05-04", 'date = "*"', "'\\*' is no date; write it as"),
    "negative length": ("trial.toml", 'sd = "0.3 mm"', 'sd = "-1 mm"', "'-1 mm' is not plausible"),
    "negative cell": ("line.csv", "1.2,5,15", "1.2,-5,15", "-5 mm is not plausible"),
    "epoch": ("markers.csv", "0.000,M01", "1767225600.0,M01", "subtract the first time"),
    "mark of a formula": ("tip.csv", "frame,feature,u [px]", "frame,feature,w m],u [px]", "w m"),
    "a name like a column": ("tip.csv", "frame,feature", "frame,featur", "did you mean 'feature'"),
    "two odd headings": ("tip.csv", "frame,feature,u [px]", "frame,featur,u px]", "did you mean"),
}  # fmt: skip


@pytest.mark.parametrize("kind", EDITS)
def test_what_no_lab_has_is_refused(kind: str, tmp_path: Path) -> None:
    file, old, new, said = EDITS[kind]
    build(tmp_path / "trial")
    path = tmp_path / "trial" / file
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(InputError, match=said):
        read_trial(tmp_path / "trial")


def test_a_clock_that_states_nothing_is_noted(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    path = tmp_path / "trial" / "trial.toml"
    text = path.read_text()
    row = next(r for r in text.splitlines() if r.startswith("clock = "))
    path.write_text(text.replace(row, "clock = {}"))
    assert any("states no clock" in note for note in read_trial(tmp_path / "trial").notes)


def test_a_misspelt_label_is_named(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    path = tmp_path / "trial" / "trial.toml"
    path.write_text(path.read_text().replace('M03 = "2.0 m"', 'MO3 = "2.0 m"'))
    assert any("did you mean M03?" in note for note in read_trial(tmp_path / "trial").notes)


def test_a_c3d_sample_beyond_any_lab(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    place = np.full((30, 2, 3), 1.0)
    place[:, 1] = [900.0, 0.0, 0.0]
    place[7, 1] = 1e32
    write_c3d(tmp_path / "trial" / "m.c3d", place, ["M01", "M02"])
    path = tmp_path / "trial" / "trial.toml"
    path.write_text(path.read_text().replace("markers.csv", "m.c3d"))
    with pytest.raises(InputError, match=r"M02: a sample lies 1e\+29 m from the origin"):
        read_trial(tmp_path / "trial")


def test_a_slip_of_ten_in_the_diameter_is_said(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    path = tmp_path / "trial" / "line.csv"
    good = inspect(read_trial(tmp_path / "trial"))
    assert not any("kg/m3" in f.text for f in good.findings)
    path.write_text(path.read_text().replace("[mm]", "[cm]"))
    found = inspect(read_trial(tmp_path / "trial")).findings
    assert any("7.64 kg/m3" in f.text for f in found), [f.text for f in found]


def test_a_line_at_rest_upside_down_says_that_gravity_is_wrong(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    rows = ["time [s],marker,x [m],y [m],z [m]"]
    for k in range(60):
        for label, z in (("M01", 1.95), ("M02", 1.0), ("M03", 0.0)):
            rows.append(f"{k * 0.002:.3f},{label},0,0,{z}")
    (tmp_path / "trial" / "markers.csv").write_text("\n".join(rows) + "\n")
    path = tmp_path / "trial" / "trial.toml"
    text = path.read_text().replace('[markers.handle]\nlabels = ["H1"]\n', "")
    for sign, told in (("-", False), ("", True)):
        path.write_text(text.replace("-9.81", f"{sign}9.81"))
        found = inspect(read_trial(tmp_path / "trial")).findings
        assert any(f.about == "gravity" for f in found) == told


@pytest.mark.parametrize("key", [".".join("a" * 100_000), "[" + " . ".join("a" * 100_000) + "]"])
def test_a_key_of_a_great_many_parts_is_refused_at_once(key: str) -> None:
    begin = time.process_time()
    with pytest.raises(InputError, match="a key of over 100 parts") as fault:
        parse_toml(f"schema = 1\n{key} = 1\n".encode(), "trial.toml")
    assert time.process_time() - begin < 1.0 and fault.value.line == 2
