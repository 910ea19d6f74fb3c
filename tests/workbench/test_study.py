"""`parameters` and `compare` from the command line: what they write, and what they refuse."""

import csv
import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from lashwave.files.kept import keep_arrays
from lashwave.files.summaries import read_summary
from lashwave.files.write_trial import write_trial
from lashwave.pipeline.reconstruct import read_usable
from lashwave.quantities.errors import InputError
from lashwave.study.likelihood import Cross
from lashwave.workbench import compare_command as compare, parameters_command as parameters
from lashwave.workbench.cli import main

SCALES = ("drag_normal", "drag_tangential", "stiffness_scale", "damping_time")
ARMS = np.array([-0.4, -0.2, 0.2, 0.4])
HELD = np.diag([2500.0, 0.5, 400.0, 50.0])


@pytest.fixture
def other(tmp_path, trial):
    """A second throw of the same line."""
    moved = replace(trial.markers, position=trial.markers.position + 0.01)
    write_trial(tmp_path / "second", replace(trial, name="bench-two", markers=moved))
    return tmp_path / "second"


def keep_cross(folder, out, centre, monkeypatch):
    """A likelihood of a trial, kept as an earlier run would have kept it."""
    asked = []

    def look(path):
        asked.append(path)
        raise RuntimeError("asked")

    with monkeypatch.context() as patch:
        patch.setattr(parameters.files, "kept_arrays", look)
        with pytest.raises(RuntimeError, match="asked"):
            parameters._likelihood(read_usable(folder), out / "kept", None)
    value = np.outer(np.diag(HELD), np.expm1(ARMS) ** 2)
    cross = Cross(SCALES, np.asarray(centre), HELD, (ARMS,) * 4, tuple(value))
    arrays = {
        "names": np.array(SCALES), "centre": cross.centre, "information": cross.information,
        "shift": np.array(cross.shift), "value": np.array(cross.value),
    }  # fmt: skip
    keep_arrays(asked[0], arrays)


def table(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_parameters_of_two_throws_from_what_was_kept(folder, other, tmp_path, monkeypatch, capsys):
    out = tmp_path / "law"
    for place, drag in ((folder, 0.1), (other, 0.2)):
        keep_cross(place, out, [drag, 0.0, -0.1, 0.3], monkeypatch)
    assert main(["parameters", str(folder), str(other), "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said == json.loads((out / "parameters.json").read_text(encoding="utf-8"))
    assert {path.name for path in out.iterdir()} == parameters.FILES
    drag = said["quantities"]["drag_normal"]
    # Two likelihoods, parabolas in the scale, relative sd 0.02 each; doubt 0.012, a prior of 0.15.
    a = np.exp([-0.1, -0.2])
    both = a.sum() / (a @ a)
    wide = 0.02**2 / (both**2 * (a @ a)) + 0.012**2
    middle = np.log(both) * 0.15**2 / (0.15**2 + wide)
    sd = (1 / wide + 1 / 0.15**2) ** -0.5
    assert drag["value"] == pytest.approx(np.exp(middle), rel=3e-4)
    assert drag["sd"] == pytest.approx(drag["value"] * sd, rel=5e-3)
    assert np.log(drag["high95"]) - middle == pytest.approx(1.96 * sd, rel=2e-2)
    assert said["information"]["rank"] == 4
    assert said["information"]["condition"] == pytest.approx(5000.0, rel=0.05)
    assert any("drag_tangential" in line for line in said["statements"])
    rows = table(out / "profiles.csv")
    assert [r["parameter"] for r in rows] == [n for n in SCALES for _ in range(41)]
    assert min(float(r["rise_posterior"]) for r in rows) == 0.0
    assert (out / "profiles.pdf").read_bytes().startswith(b"%PDF")
    page = (out / "parameters.html").read_text(encoding="utf-8")
    assert "drag_tangential" in page and "<svg" in page and "src=" not in page
    assert main(["parameters", str(folder), str(other), "--out", str(out), "--quiet"]) == 0
    assert "rank 4 of 4" in capsys.readouterr().out


def test_parameters_refuses_trials_of_two_lines(folder, tmp_path, trial, capsys):
    thicker = replace(trial.line, diameter=1.1 * trial.line.diameter)
    write_trial(tmp_path / "thick", replace(trial, line=thicker))
    out = tmp_path / "law"
    status = main(["parameters", str(folder), str(tmp_path / "thick"), "--out", str(out)])
    said = capsys.readouterr().err
    assert status == 2 and said.count("\n") == 1 and "not that of" in said
    assert not out.exists()
    shutil.copytree(folder, tmp_path / "copy")
    assert main(["parameters", str(folder), str(tmp_path / "copy"), "--out", str(out)]) == 2
    assert "twice" in capsys.readouterr().err and not out.exists()


@pytest.mark.parametrize("command", ["parameters", "compare"])
def test_folders_that_cannot_be_used_are_one_line(command, folder, tmp_path, capsys):
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("precious", encoding="utf-8")
    for argv, told in (
        ([command, "--out", str(tmp_path / "x")], "TRIALS"),
        ([command, str(folder)], "--out"),
        ([command, str(tmp_path / "none"), "--out", str(tmp_path / "x")], "no such folder"),
        ([command, str(folder), "--out", str(mine)], "thesis.txt"),
        ([command, str(folder), "--out", str(folder / "in")], "inside the trial"),
    ):
        assert main(argv) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and told in said, said
    assert (mine / "thesis.txt").read_text(encoding="utf-8") == "precious"
    assert not (tmp_path / "x").exists()


def answers(folder, trial, specimen, peak):
    """A folder of answers as `reconstruct` leaves it, of its summary alone."""
    folder.mkdir()
    sonic = {"value": None, "sd": None, "low95": None, "high95": None, "unit": "s",
             "probability": 0.2, "reason": "sonic with a probability of 0.20 only"}  # fmt: skip
    speed = {"value": peak, "sd": 2.0, "low95": peak - 4, "high95": peak + 4, "unit": "m s-1"}
    record = {
        "schema": 1, "trial": trial, "warnings": [],
        "quantities": {"peak_tip_speed": speed, "sonic_time": sonic},
        "provenance": {"specimen": specimen, "thrower": "arm 1", "inputs": {}},
    }  # fmt: skip
    (folder / "summary.json").write_text(json.dumps(record), encoding="utf-8")
    return str(folder)


def test_compare_answers_and_a_trial_that_has_none_yet(folder, tmp_path, quick, capsys):
    out = tmp_path / "side"
    given = [
        answers(tmp_path / f"a{i}", f"throw-{i}", specimen, peak)
        for i, (specimen, peak) in enumerate(
            [("lash A", 400.0), ("lash A", 410.0), ("lash B", 500.0), ("lash B", 506.0)]
        )
    ]
    assert main(["compare", *given, str(folder), "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert {path.name for path in out.iterdir()} == compare.FILES
    speed, sonic = (said["quantities"][name] for name in ("peak_tip_speed", "sonic_time"))
    # The trial's own answer is the stand-in's; its line is named by nobody.
    assert (speed["present"], speed["of"]) == (5, 5)
    assert (sonic["present"], sonic["of"]) == (0, 5)
    assert all(sonic["reasons"])
    assert speed["specimens"]["within"]["sd"] == pytest.approx(np.sqrt((50 + 18) / 2))
    assert speed["specimens"]["between"]["sd"] == pytest.approx(
        np.sqrt((98.0**2 - 34.0) / 2)
    )  # fmt: skip
    assert any("1 of 5 trials name no specimen" in note for note in said["notes"])
    rows = table(out / "comparison.csv")
    assert {r["trial"] for r in rows} == {*(f"throw-{i}" for i in range(4)), "bench-test"}
    missing = [r for r in rows if r["quantity"] == "sonic_time" and r["trial"] == "throw-0"]
    assert missing[0]["value"] == "" and "probability" in missing[0]["reason"]
    assert len(table(out / "spread.csv")) == len(said["quantities"])
    page = (out / "comparison.html").read_text(encoding="utf-8")
    assert "5 trials compared" in page and "0 of 5" in page
    # A second run takes the kept answers and makes none.
    made = (out / "answers" / "trial" / "summary.json").stat().st_mtime_ns
    assert main(["compare", *given, str(folder), "--out", str(out)]) == 0
    assert (out / "answers" / "trial" / "summary.json").stat().st_mtime_ns == made
    assert "5 of 5" in capsys.readouterr().out


def test_summaries_that_are_not_whole_are_refused(tmp_path):
    folder = tmp_path / "a"
    answers(folder, "throw", "lash A", 400.0)
    whole = read_summary(folder)
    assert (whole.specimen, whole.thrower, whole.trial) == ("lash A", "arm 1", "throw")
    assert whole.answers["peak_tip_speed"].value == 400.0
    good = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    for bad, field in (
        ({**good, "schema": 7}, "schema"),
        ({**good, "quantities": [1]}, "quantities"),
        ({**good, "quantities": {"peak_tip_speed": {"value": "fast"}}}, "peak_tip_speed"),
        ({**good, "quantities": {"peak_tip_speed": {"sd": 1.0}}}, "peak_tip_speed"),
    ):
        (folder / "summary.json").write_text(json.dumps(bad), encoding="utf-8")
        with pytest.raises(InputError) as fault:
            read_summary(folder)
        assert fault.value.field == field
    (folder / "summary.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be read"):
        read_summary(folder)
    (folder / "summary.json").unlink()
    with pytest.raises(InputError, match="neither"):
        read_summary(folder)
