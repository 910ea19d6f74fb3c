"""`reconstruct` and `demo` as a user runs them: real files, real fit, real report, no stand-in.

A short throw with a camera (tests/workbench/small_throw.py). What must come out is what
docs/trial-format.md says; what is true is the engine's.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from lashwave import twin
from lashwave.quantities.motion import interpolate
from lashwave.workbench import simulate_command as bench
from lashwave.workbench.cli import main
from tests.workbench.small_throw import small_throw

ASKED = {
    "speed_of_sound": "m s-1",
    "peak_tip_speed": "m s-1",
    "peak_tip_speed_time": "s",
    "peak_tip_mach": "1",
    "peak_tip_speed_100us": "m s-1",
    "peak_speed": "m s-1",
    "peak_grip_tension": "N",
    "hand_impulse": "N s",
    "hand_work": "J",
    "peak_kinetic_energy": "J",
    "clock_offset:tip-view": "s",
    "registration_u:tip-view": "px",
    "registration_v:tip-view": "px",
    "drag_normal": "1",
    "drag_slope": "1",
    "stiffness_scale": "1",
}
"""Answers that must have a value, and their units."""


def contents(folder: Path) -> dict[str, str]:
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {str(p): sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """The command, its answers and the truth."""
    folder = tmp_path_factory.mktemp("for-real")
    trial, truth = small_throw()
    bench.write(folder, trial, truth)
    before = contents(folder)
    command = Path(sys.executable).with_name("lashwave")
    assert command.exists(), "the package is not installed beside this Python"
    call = [command, "reconstruct", folder / "trial", "--out", folder / "answers"]
    ran = subprocess.run(call, capture_output=True, text=True, env=dict(os.environ), check=False)
    after = {k: v for k, v in contents(folder).items() if "/answers/" not in k}
    return ran, folder / "answers", trial, truth, before == after


def test_the_command_ends_well_and_leaves_the_trial_alone(done):
    ran, out, _, _, untouched = done
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr == "" and "peak_tip_speed" in ran.stdout
    assert untouched
    files = {"motion.nc", "samples.nc", "answers.nc", "summary.json", "report.html", "report.pdf"}
    assert files <= {p.name for p in out.iterdir()}
    page = (out / "report.html").read_text()
    assert "twin-swing-002" in page and 'src="http' not in page and "url(http" not in page
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")


def test_the_motion_is_as_the_contract_has_it(done):
    _, out, trial, _, _ = done
    units = {
        "position": "m", "position_sd": "m", "velocity": "m s-1", "velocity_sd": "m s-1",
        "acceleration": "m s-2", "curvature": "m-1", "curvature_sd": "m-1", "tension": "N",
        "tension_sd": "N",
    }  # fmt: skip
    with xr.open_dataset(out / "motion.nc", engine="h5netcdf") as motion:
        for name, unit in units.items():
            wide = name.split("_")[0] in ("position", "velocity", "acceleration")
            assert motion[name].dims == ("time", "station", "axis")[: 3 if wide else 2], name
            assert motion[name].attrs["units"] == unit, name
            on_line = motion[name].values[:, motion.station.values > 0.12 + 1e-9]
            assert np.isfinite(on_line).all(), name
        assert motion.axis.values.tolist() == ["x", "y", "z"]
        time, station = motion.time.values, motion.station.values
        assert time[0] == pytest.approx(trial.markers.time[0], abs=1e-9)
        assert time[-1] == pytest.approx(trial.markers.time[-1], abs=1e-9)
        assert np.diff(station).max() <= 0.01 + 1e-9 and station[-1] == pytest.approx(0.7)
        assert np.diff(station[station > 0.63]).max() <= 0.005 + 1e-9
        # on the rigid grip no tension is known
        assert np.isnan(motion.tension.values[:, station < 0.1]).all()
    with xr.open_dataset(out / "samples.nc", engine="h5netcdf") as samples:
        assert samples.position.dims[0] == "draw" and samples.sizes["draw"] >= 100
        assert samples.position.dtype == np.float32


def test_the_motion_is_the_true_one_within_what_is_stated(done):
    _, out, _, truth, _ = done
    with xr.open_dataset(out / "motion.nc", engine="h5netcdf") as motion:
        x = truth.motion
        at, _ = interpolate(x.time.values, x.position.values, x.velocity.values, motion.time.values)
        station, node = motion.station.values, x.station.values
        j = np.clip(np.searchsorted(node, station, side="right") - 1, 0, node.size - 2)
        w = ((station - node[j]) / (node[j + 1] - node[j]))[:, None]
        off = motion.position.values - ((1 - w) * at[:, j] + w * at[:, j + 1])
        sd = motion.position_sd.values
    assert np.sqrt((off**2).sum(-1).mean()) < 2e-3
    # from both sides: 95 % intervals that hold the truth in 85 to 99.9 % of this one motion, whose
    # errors are correlated, and deviations that are not padded
    inside = (np.abs(off) < 1.96 * sd).mean()
    assert 0.85 < inside < 0.999
    assert 0.4 < np.sqrt(np.mean((off / sd) ** 2)) < 1.6
    assert np.median(sd) < 1.5e-3


def test_answers_have_units_intervals_and_the_truth_in_reach(done):
    _, out, _, truth, _ = done
    record = json.loads((out / "summary.json").read_text())
    assert record["schema"] == 1 and record["trial"] == "twin-swing-002"
    found, within = record["quantities"], []
    for name, unit in ASKED.items():
        one = found[name]
        assert one["unit"] == unit, name
        assert one["low95"] <= one["value"] <= one["high95"], name
        true = truth.answers[name]
        if name == "peak_grip_tension":  # within the clamp's bend: judged on finer links elsewhere
            continue
        miss = abs(one["value"] - true)
        # a deviation of nothing is rounding: the speed of sound is what the air gives
        assert miss <= 3.5 * one["sd"] + 1e-9 * abs(true), (name, one, true)
        within.append(one["low95"] <= true <= one["high95"])
    assert np.mean(within) >= 0.8
    peak = found["peak_tip_speed"]
    assert peak["sd"] < 0.05 * peak["value"]
    never = found["sonic_time"]
    assert never["value"] is None and never["reason"] and never["probability"] < 0.05
    assert all(isinstance(text, str) for text in record["warnings"])


def test_the_demo_shows_its_answers_beside_the_truth(tmp_path, monkeypatch, capsys):
    """The same throw in place of the demo's, which takes minutes; all else is the demo's own."""
    asked = []

    def make(**wishes):
        asked.append(wishes)
        return small_throw()

    monkeypatch.setattr(twin, "make", make)
    assert main(["demo", "--out", str(tmp_path / "out"), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert asked[0]["seed"] == 36 and asked[0]["kind"] == "throw"
    rows = {row.split()[0]: row for row in said.splitlines() if row.startswith("  ")}
    assert "truth" in rows["answer"]
    assert rows["peak_tip_speed"].endswith("inside") or rows["peak_tip_speed"].endswith("outside")
    assert rows["sonic_time"].endswith("agrees")
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"demo", "demo.answers", "demo-truth"}
    assert (tmp_path / "out" / "demo.answers" / "report.html").stat().st_size > 1e5
    assert (tmp_path / "out" / "demo-truth" / "truth.json").exists()
    assert said.splitlines()[-1].endswith(f" open {tmp_path / 'out' / 'demo'}")
