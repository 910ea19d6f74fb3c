"""Files of a long record, written in pieces, against those written whole; work that was begun."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from lashwave.files import Begun, LongAnswers, read_lists, read_motion
from lashwave.files.results import DRAWN, MOTION, motion_dataset, netcdf_bytes, samples_dataset
from lashwave.quantities import InputError
from lashwave.quantities.fit import Draws

TIME = np.concatenate([[0.0], np.cumsum(1e-3 * (1.0 + 0.5 * np.sin(np.arange(299))))])
STATION = np.array([0.0, 0.2, 0.5, 1.0])
CUTS = (0, 90, 210, 300)


@pytest.fixture
def motion():
    """A motion whose tip is fastest in the middle, and five draws of it."""
    rng = np.random.default_rng(3)
    shapes = {"time": 300, "station": 4, "axis": 3}
    parts = {
        name: rng.normal(size=[shapes[dim] for dim in dims]) for name, (dims, *_) in MOTION.items()
    }
    parts["velocity"] *= (1.0 + 50.0 * np.exp(-(((TIME - 0.15) / 0.01) ** 2)))[:, None, None]
    parts["tension"][:, 0] = np.nan
    shapes["draw"] = 5
    drawn = {
        name: rng.normal(size=[shapes[dim] for dim in dims]) for name, (dims, *_) in DRAWN.items()
    }
    draws = Draws(TIME, STATION, **drawn, shared={"drag_normal": rng.normal(size=5)})
    return SimpleNamespace(time=TIME, station=STATION, draws=draws, motions=None, **parts)


def written(folder, motion):
    """The files, pieces put from the last to the first."""
    files = LongAnswers(folder, TIME, STATION, 5, {"program_version": "1", "trial": "long"})
    for first, last in reversed(list(zip(CUTS[:-1], CUTS[1:], strict=True))):
        own = slice(first, last)
        files.put_motion(first, {name: getattr(motion, name)[own] for name in MOTION})
        cut = {name: getattr(motion.draws, name)[:, first : last + 1] for name in DRAWN}
        piece = Draws(TIME[first : last + 1], STATION, **cut, shared=motion.draws.shared)
        files.put_draws(first, piece, np.array([0, 1, 3]), last - first)
        table = xr.Dataset(coords={"time": TIME[first : last + 1], "station": STATION})
        table["time"].attrs = {"units": "s"}
        table.coords["axis"] = ["x", "y", "z"]
        table["tip_speed"] = ("time", motion.velocity[first : last + 1, -1, 0], {"units": "m s-1"})
        table["speed"] = (("time", "station"), motion.velocity[first : last + 1, :, 0])
        files.put_lists(first, table, last - first)
    late = xr.Dataset(coords={"time": TIME, "station": STATION})
    late["hand_work"] = ("time", np.arange(300.0), {"units": "J"})
    late.coords["event"] = ["a", "b"]
    late["probability_of_event"] = ("event", np.array([0.5, 1.0]))
    files.close(late)


def test_files_in_pieces_are_those_written_whole(tmp_path, motion):
    written(tmp_path, motion)
    (tmp_path / "whole.nc").write_bytes(netcdf_bytes(motion_dataset(motion, {"trial": "long"})))
    (tmp_path / "draws.nc").write_bytes(netcdf_bytes(samples_dataset(motion, {})))
    found, expected = read_motion(tmp_path), read_motion(tmp_path / "whole.nc")
    xr.testing.assert_equal(found, expected)
    for name, one in expected.variables.items():
        assert found[name].attrs == one.attrs, name
    assert found.attrs["trial"] == "long"
    with (
        xr.open_dataset(tmp_path / "samples.nc", engine="h5netcdf") as found,
        xr.open_dataset(tmp_path / "draws.nc", engine="h5netcdf") as expected,
    ):
        few = expected.isel(station=[0, 1, 3])
        xr.testing.assert_equal(found.load(), few.load())
        assert found["position"].dtype == np.float32
        assert found["position"].attrs == expected["position"].attrs
    lists = read_lists(tmp_path)
    np.testing.assert_array_equal(lists["tip_speed"], motion.velocity[:, -1, 0])
    np.testing.assert_array_equal(lists["speed"], motion.velocity[:, :, 0])
    np.testing.assert_array_equal(lists["hand_work"], np.arange(300.0))
    assert lists["axis"].values.tolist() == ["x", "y", "z"]
    assert lists["event"].values.tolist() == ["a", "b"] and lists["hand_work"].attrs["units"] == "J"


def test_pages_are_given_a_part_of_the_times_finest_where_the_tip_is_fastest(
    tmp_path, motion, monkeypatch
):
    monkeypatch.setattr("lashwave.files.read_answers.SLAB", 64)
    written(tmp_path, motion)
    for few in (read_motion(tmp_path, 40), read_lists(tmp_path, 40)):
        assert 20 < few.sizes["time"] <= 42 and few.attrs["times_in_file"] == 300
        assert few["time"].values[[0, -1]].tolist() == TIME[[0, -1]].tolist()
        kept = few["time"].values
        assert (np.abs(kept - 0.15) < 0.02).sum() > 0.5 * kept.size
    few, whole = read_motion(tmp_path, 40), read_motion(tmp_path)
    xr.testing.assert_equal(few, whole.sel(time=few["time"]))
    assert read_motion(tmp_path, 300).sizes["time"] == 300


def test_begun_work_is_kept_for_the_same_inputs_alone(tmp_path):
    out, inputs = tmp_path / "t.answers", {"input_sha256": "1", "options": "{}"}
    begun = Begun(out, inputs)
    begun.put("window-00000", {"time": np.arange(3.0), "warnings": np.array(["a"], str)})
    again = Begun(out, dict(inputs))
    kept = again.get("window-00000")
    assert kept is not None and kept["time"].tolist() == [0.0, 1.0, 2.0]
    assert str(kept["warnings"][0]) == "a"
    assert again.get("window-00001") is None
    (again.folder / "window-00000.npz").write_bytes(b"PK damaged")
    assert again.get("window-00000") is None
    again.put("window-00000", {"time": np.arange(2.0)})
    assert Begun(out, inputs | {"options": "other"}).get("window-00000") is None
    Begun(out, inputs).drop()
    assert not (tmp_path / "t.answers.begun").exists()


def test_a_folder_of_the_users_is_never_taken_for_begun_work(tmp_path):
    mine = tmp_path / "t.answers.begun"
    mine.mkdir()
    (mine / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="in the way"):
        Begun(tmp_path / "t.answers", {})
    assert (mine / "notes.txt").read_text() == "mine"
