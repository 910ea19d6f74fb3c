"""`simulate` and `demo`: a trial that reads back, its truth beside it, nothing else touched."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

import lashwave.twin
from lashwave.files.trial_folder import read_trial
from lashwave.workbench.cli import main


@pytest.fixture
def asked(trial, monkeypatch):
    """A stand-in for the twin; what it was asked for is kept."""
    wishes = []
    truth = SimpleNamespace(
        motion=xr.Dataset({"position": (("time", "axis"), np.zeros((4, 3)))}),
        answers={"peak_tip_speed": 10.47, "hand_work": 5.0, "sonic_time": None},
    )

    def make(**given):
        wishes.append(given)
        return trial, truth

    monkeypatch.setattr(lashwave.twin, "make", make, raising=False)
    return wishes


def test_simulate_writes_a_trial_that_reads_back_and_its_truth(asked, trial, tmp_path, capsys):
    argv = ["simulate", str(tmp_path / "sim"), "--kind", "swing", "--seed", "5", "--no-camera"]
    assert main([*argv, "--ghosts", "0.05", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["wishes"]["ghosts"] == 0.05
    assert asked[0]["kind"] == "swing" and asked[0]["seed"] == 5 and asked[0]["camera"] is False
    read = read_trial(tmp_path / "sim" / "trial")
    assert np.abs(read.markers.position - trial.markers.position).max() < 1e-7
    truth = json.loads((tmp_path / "sim" / "truth.json").read_text())["quantities"]
    assert truth == {"peak_tip_speed": 10.47, "hand_work": 5.0, "sonic_time": None}
    assert {p.name for p in (tmp_path / "sim").iterdir()} == {"trial", "truth.nc", "truth.json"}


def test_a_second_simulation_replaces_the_first(asked, tmp_path):
    for _ in range(2):
        assert main(["simulate", str(tmp_path / "sim")]) == 0
    assert {p.name for p in (tmp_path / "sim").iterdir()} == {"trial", "truth.nc", "truth.json"}


def test_simulate_touches_no_folder_of_the_users(asked, tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    assert main(["simulate", str(tmp_path)]) == 2
    assert "notes.txt" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"] and asked == []


@pytest.mark.parametrize(
    "wish", [["--swaps", "-1"], ["--clock-wrong", "3"], ["--no-camera", "--second-view"]]
)
def test_a_wish_that_makes_no_sense_is_refused(wish, asked, tmp_path, capsys):
    assert main(["simulate", str(tmp_path / "sim"), *wish]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "sim").exists() and asked == []


@pytest.mark.parametrize(
    "wish",
    [
        ["--camera-rate", "20"],
        ["--camera-rate", "nan"],
        ["--camera-rate", "20010", "--no-camera"],
        ["--microphones", "4"],
        ["--microphones", "0", "--pictures"],
    ],
)
def test_a_rate_or_microphones_that_make_no_sense_are_refused(wish, asked, tmp_path, capsys):
    assert main(["simulate", str(tmp_path / "x"), *wish, "--quiet"]) == 2
    assert wish[0] in capsys.readouterr().err
    assert not asked and not (tmp_path / "x").exists()


def test_a_rate_out_of_step_is_handed_on(asked, tmp_path):
    assert main(["simulate", str(tmp_path / "x"), "--camera-rate", "20010", "--quiet"]) == 0
    assert asked[0]["camera_rate"] == 20010.0


def test_demo_shows_answers_beside_the_truth(asked, quick, tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    rows = {line.split()[0]: line for line in said.splitlines() if line.startswith("  ")}
    assert "truth" in rows["answer"]
    assert rows["peak_tip_speed"].split()[-2:] == ["10.470", "inside"]
    assert rows["hand_work"].endswith("outside")  # the stand-in's hand gives 1 W for 0.6 s
    assert rows["sonic_time"].endswith("agrees")
    assert "Warning: a stand-in made this" in said
    assert f"Report:  {tmp_path / 'out' / 'demo.answers' / 'report.html'}" in said


@pytest.mark.slow
def test_the_virtual_bench_itself_writes_a_trial_that_can_be_used(tmp_path, capsys):
    assert main(["simulate", str(tmp_path / "sim"), "--kind", "swing", "--seed", "3"]) == 0
    assert main(["check", str(tmp_path / "sim" / "trial")]) == 0
    assert ": usable" in capsys.readouterr().out
