"""Answer files: what any NetCDF reader finds in them, and that they come whole or not at all.

Outside the project: netCDF4-python (Unidata's C library) reads what h5netcdf wrote, and cftime's
and CF's words for units stand in the CF conventions 1.11, section 3.1.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from lashwave.files import checked_netcdf
from lashwave.files.checked_netcdf import stated_hash
from lashwave.files.read_answers import read_motion
from lashwave.files.results import write_results
from lashwave.files.swap import replace_folder
from lashwave.quantities.answer import Answer
from lashwave.quantities.errors import InputError
from lashwave.quantities.fit import Draws, Fit, Residuals
from lashwave.quantities.line import Line
from lashwave.quantities.motions import Apart, Motions
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial


def make_fit(times: int = 7, stations: int = 5, draws: int = 3) -> Fit:
    random = np.random.default_rng(4)
    time, station = np.linspace(0, 0.3, times), np.linspace(0, 2.0, stations)
    full, flat = (times, stations, 3), (times, stations)
    tension = random.normal(size=flat)
    tension[:, 0] = np.nan
    return Fit(
        time=time,
        station=station,
        position=random.normal(size=full),
        position_sd=random.uniform(size=full),
        velocity=random.normal(size=full),
        velocity_sd=random.uniform(size=full),
        acceleration=random.normal(size=full),
        curvature=random.uniform(size=flat),
        curvature_sd=random.uniform(size=flat),
        tension=tension,
        tension_sd=random.uniform(size=flat),
        draws=Draws(
            time[::2],
            station,
            random.normal(size=(draws, len(time[::2]), stations, 3)),
            random.normal(size=(draws, len(time[::2]), stations, 3)),
            random.normal(size=(draws, len(time[::2]), stations)),
            random.normal(size=(draws, len(time[::2]), 3)),
            random.normal(size=(draws, len(time[::2]))),
            random.normal(size=(draws, len(time[::2]))),
            {
                "drag_normal": random.normal(size=draws),
                "clock_offset:tip": random.normal(size=draws),
            },
        ),
        residuals=Residuals(np.empty((0, 0, 3)), np.empty((0, 0)), {}, {}, 0.0),
        shared={"drag_normal": (1.0, 0.1)},
        warnings=("one clock was 1 ms off",),
    )


def make_trial() -> Trial:
    line = Line(np.array([0.0, 2.0]), np.array([8e-3, 1e-3]), np.array([0.03, 1e-3]))
    markers = Markers(
        np.arange(20) / 500, ("A",), np.zeros((20, 1, 3)), np.full((20, 1), 3e-4), np.array([1.0])
    )
    return Trial("bench-é", line, markers, hashes={"trial.toml": "0" * 64})


ANSWERS = {
    "peak_tip_speed": Answer(412.0, "m/s", 5.0, 403.0, 422.0),
    "sonic_time": Answer(None, "s", probability=0.2, reason="too seldom"),
    "hand_work": Answer(float("nan"), "J", float("inf")),
}


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def write(out: Path, fit: Fit | None = None, page: str = "<p>page</p>") -> Fit:
    fit = fit or make_fit()
    lists = xr.Dataset({"bend_station": ("time", fit.time, {"units": "m"})}, {"time": fit.time})
    files = {"report.html": page.encode(), "figures/figure-01.csv": b"x,y\n"}
    write_results(out, fit, ANSWERS, lists, files, make_trial(), {"nodes": 40})
    return fit


def test_every_file_is_there_and_another_library_reads_the_same_numbers(tmp_path: Path) -> None:
    fit = write(tmp_path / "out")
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {
        "motion.nc", "samples.nc", "answers.nc", "sightings.nc", "summary.json",
        "report.html", "figures",
    }  # fmt: skip
    assert (tmp_path / "out" / "figures" / "figure-01.csv").read_bytes() == b"x,y\n"
    with netCDF4.Dataset(tmp_path / "out" / "motion.nc") as motion:
        assert motion.data_model == "NETCDF4"
        assert motion["position"].dimensions == ("time", "station", "axis")
        assert motion["velocity"].units == "m s-1" and motion["curvature"].units == "m-1"
        assert list(motion["axis"][:]) == ["x", "y", "z"]
        assert motion.Conventions == "CF-1.11"
        assert json.loads(motion.input_sha256) == {"trial.toml": "0" * 64}
        np.testing.assert_array_equal(motion["position_sd"][:], fit.position_sd)
        np.testing.assert_array_equal(motion["curvature_sd"][:], fit.curvature_sd)
        assert motion["curvature"].ancillary_variables == "curvature_sd"
        assert np.ma.getmaskarray(motion["tension"][:])[:, 0].all()
        assert not np.ma.getmaskarray(motion["tension"][:])[:, 1:].any()


def test_plain_xarray_reads_numbers_not_dates(tmp_path: Path) -> None:
    fit = write(tmp_path / "out")
    with xr.open_dataset(tmp_path / "out" / "motion.nc") as motion:
        assert motion["time"].dtype == np.float64
        np.testing.assert_array_equal(motion["time"], fit.time)
        np.testing.assert_array_equal(motion["tension"], fit.tension)
    with xr.open_dataset(tmp_path / "out" / "samples.nc") as samples:
        assert samples["position"].dims == ("draw", "time", "station", "axis")
        assert samples["position"].dtype == np.float32
        assert samples["clock_offset:tip"].attrs["units"] == "s"
    with xr.open_dataset(tmp_path / "out" / "answers.nc") as answers:
        assert answers.attrs["trial"] == "bench-é"
        np.testing.assert_array_equal(answers["bend_station"], fit.time)
    np.testing.assert_array_equal(read_motion(tmp_path / "out")["velocity"], fit.velocity)


def test_the_summary_is_strict_json_and_a_missing_value_says_why(tmp_path: Path) -> None:
    write(tmp_path / "out")
    text = (tmp_path / "out" / "summary.json").read_text()

    def refuse(word: str) -> None:
        raise AssertionError(word)

    summary = json.loads(text, parse_constant=refuse)
    assert summary["schema"] == 1 and summary["trial"] == "bench-é"
    quantities = summary["quantities"]
    assert quantities["peak_tip_speed"]["value"] == 412.0
    assert quantities["sonic_time"]["value"] is None
    assert quantities["sonic_time"]["reason"] == "too seldom"
    assert quantities["sonic_time"]["probability"] == 0.2
    assert quantities["hand_work"] == {
        "value": None, "sd": None, "low95": None, "high95": None, "unit": "J",
        "reason": "not determined",
    }  # fmt: skip
    assert summary["warnings"] == ["one clock was 1 ms off"]
    assert summary["provenance"]["options"] == {"nodes": 40}


def test_motions_that_fit_alike_stand_in_the_summary_and_beside_the_draws(tmp_path: Path) -> None:
    apart = (Apart(0.1, 0.12, 0.4, 0.9, 0.05),)
    motions = Motions(np.array([0.7, 0.3]), np.array([0, 1, 0]), apart, ("peak_tip_speed",))
    write(tmp_path / "out", replace(make_fit(), motions=motions))
    kept = json.loads((tmp_path / "out" / "summary.json").read_text())["motions"]
    assert kept["probability"] == [0.7, 0.3] and kept["depending"] == ["peak_tip_speed"]
    assert kept["apart"] == [{"begin": 0.1, "end": 0.12, "near": 0.4, "far": 0.9, "distance": 0.05}]
    with xr.open_dataset(tmp_path / "out" / "samples.nc") as draws:
        assert draws["motion"].dims == ("draw",) and draws["motion"].values.tolist() == [0, 1, 0]


def test_an_earlier_answer_is_replaced_as_a_whole(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    write(out, page="first")
    (out / "left-over.txt").write_text("of the first answer")
    write(out, page="second")
    assert (out / "report.html").read_text() == "second"
    assert not (out / "left-over.txt").exists()
    assert [p.name for p in out.parent.iterdir()] == ["out"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt, OSError, MemoryError])
def test_a_write_that_is_stopped_leaves_the_last_good_answer(
    tmp_path: Path, stop: type[BaseException]
) -> None:
    out = tmp_path / "out"
    write(out, page="good")
    before = contents(out)

    def fill(folder: Path) -> None:
        (folder / "motion.nc").write_text("half")
        raise stop

    with pytest.raises(stop):
        replace_folder(out, fill)
    assert contents(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    with pytest.raises(stop):
        replace_folder(tmp_path / "new" / "out", fill)
    assert not (tmp_path / "new").exists()


def test_swap_works_where_the_system_has_no_exchange(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import ctypes

    def none(*_: object, **__: object) -> object:
        raise OSError

    monkeypatch.setattr(ctypes, "CDLL", none)
    out = tmp_path / "out"
    write(out, page="first")
    write(out, page="second")
    assert (out / "report.html").read_text() == "second"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_file_that_is_no_motion_is_refused_in_one_line(tmp_path: Path) -> None:
    bad = tmp_path / "motion.nc"
    bad.write_text("no")
    for path in (bad, tmp_path / "absent.nc"):
        with pytest.raises(InputError) as caught:
            read_motion(path)
        assert "\n" not in str(caught.value)
    xr.Dataset({"position": ("time", [1.0])}).to_netcdf(bad, engine="h5netcdf")
    with pytest.raises(InputError, match="position"):
        read_motion(bad)


def test_a_file_that_is_not_as_it_was_written_is_refused_before_it_is_opened(
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    write(out)
    for name in ("motion.nc", "samples.nc", "answers.nc", "sightings.nc"):
        body = (out / name).read_bytes()
        assert stated_hash(out / name) == sha256(body).hexdigest()
    body = (out / "motion.nc").read_bytes()
    (out / "motion.nc").write_bytes(body[:-1] + bytes([body[-1] ^ 1]))
    with pytest.raises(InputError, match=r"motion.nc: .*SHA-256 in summary.json.*; reconstruct"):
        read_motion(out)


@pytest.mark.parametrize("summary", ["", "{}", '{"provenance": {"files": []}}'])
def test_an_older_answer_without_hashes_still_opens(tmp_path: Path, summary: str) -> None:
    fit = write(tmp_path / "out")
    (tmp_path / "out" / "summary.json").write_text(summary)
    np.testing.assert_array_equal(read_motion(tmp_path / "out")["velocity"], fit.velocity)


def test_a_file_without_a_hash_is_first_read_by_a_child(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path / "out")
    path = tmp_path / "motion.nc"
    shutil.copy(tmp_path / "out" / "motion.nc", path)
    monkeypatch.setattr(checked_netcdf, "_LOOK", "while True: pass")
    monkeypatch.setattr(checked_netcdf, "SECONDS", 0.5)
    with pytest.raises(InputError, match="is not NetCDF-4 that can be read"):
        read_motion(path)
    monkeypatch.setattr(checked_netcdf, "_LOOK", "import os; os.kill(os.getpid(), 11)")
    path.touch()
    with pytest.raises(InputError, match="is not NetCDF-4 that can be read"):
        read_motion(path)
