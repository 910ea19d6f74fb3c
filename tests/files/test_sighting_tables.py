"""Sightings files read back by the readers of a trial as they were written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.sighting_tables import (
    write_flashes,
    write_fronts,
    write_markers,
    write_onsets,
    write_points,
    write_tuft_widths,
)
from lashwave.files.trial_folder import read_trial
from lashwave.quantities.images import TipTrack
from lashwave.quantities.sightings import Fronts, Markers, Onset, TuftWidths
from tests.small_trial import LINE, described

TRIAL = (
    described(stations={"M,1": 0.1, "M2": 1.0})
    + """[[cameras]]
name = "tip-view"
rate = "20 kHz"
size = [640, 480]
projection = [[2000.0, 0, 0, 320], [0, 0, -2000.0, 240], [0, 0, 0, 1]]
points = "tip.csv"
fronts = "fronts.csv"
flashes = "flashes.csv"
sd = "0.4 px"
[cameras.stations]
tip = "2.4 m"
[[microphones]]
name = "left"
file = "mic1.wav"
position = [1.2, -0.4, 1.5]
"""
)
RNG = np.random.default_rng(3)
TRACK = TipTrack(np.array([3, 4, 9]), RNG.uniform(0, 480, (3, 2)), RNG.uniform(0.1, 2, 3))
FRONTS = Fronts(
    np.array([5, 5, 6]), np.array([0, 2, 2]), RNG.uniform(0, 480, (3, 2)), RNG.uniform(0.1, 2, 3)
)
TUFT = TuftWidths(np.array([2, 7]), RNG.uniform(0.001, 0.02, 2), RNG.uniform(1e-4, 1e-3, 2))
ONSETS = [Onset("left", 0.812345678901234, 1.7e-5), Onset("mic1.wav", 0.9, 2e-5)]
FLASHES = np.array([0, 40, 80])
MARKERS = Markers(
    time=np.arange(25) / 500 + 0.25,
    labels=("M,1", "M2"),
    position=RNG.uniform(-0.05, 0.05, (25, 2, 3)),
    sd=RNG.uniform(1e-4, 1e-3, (25, 2)),
    station=np.array([0.1, 1.0]),
    unlabelled_time=np.array([0.252, 0.252]),
    unlabelled_position=RNG.uniform(-1, 1, (2, 3)),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "trial.toml").write_text(TRIAL)
    (tmp_path / "line.csv").write_text(LINE)
    (tmp_path / "mic1.wav").write_text("RIFF")
    write_points(tmp_path / "tip.csv", TRACK.frame, ["tip"] * 3, TRACK.uv, TRACK.sd)
    write_fronts(tmp_path / "fronts.csv", FRONTS)
    write_tuft_widths(tmp_path / "tuft.csv", TUFT)
    write_onsets(tmp_path / "onsets.csv", ONSETS)
    write_flashes(tmp_path / "flashes.csv", FLASHES)
    write_markers(tmp_path / "markers.csv", MARKERS)
    return tmp_path


def test_they_go_round(folder: Path) -> None:
    trial = read_trial(folder)
    camera = trial.cameras[0]
    half = {"rtol": 0, "atol": 0.51e-5}  # pixels are kept to five decimals
    np.testing.assert_array_equal(camera.frame, TRACK.frame)
    np.testing.assert_allclose(camera.uv, TRACK.uv, **half)
    np.testing.assert_array_equal(camera.point_sd, TRACK.sd)
    np.testing.assert_array_equal(camera.flashes, FLASHES)
    assert camera.fronts is not None and camera.tuft is not None
    np.testing.assert_array_equal(camera.fronts.frame, FRONTS.frame)
    np.testing.assert_array_equal(camera.fronts.number, FRONTS.number)
    np.testing.assert_allclose(camera.fronts.uv, FRONTS.uv, **half)
    np.testing.assert_array_equal(camera.fronts.sd, FRONTS.sd)
    for name in ("frame", "width", "sd"):
        np.testing.assert_array_equal(getattr(camera.tuft, name), getattr(TUFT, name))
    # a microphone goes by its name or its file, and is called by its name
    assert list(trial.onsets) == [replace(onset, microphone="left") for onset in ONSETS]


def test_markers_go_round(folder: Path) -> None:
    markers = read_trial(folder).markers
    assert markers.labels == MARKERS.labels
    np.testing.assert_allclose(markers.time, MARKERS.time, rtol=0, atol=1e-9)
    np.testing.assert_allclose(markers.position, MARKERS.position, rtol=0, atol=0.51e-8)
    np.testing.assert_array_equal(markers.sd, MARKERS.sd)
    np.testing.assert_allclose(
        markers.unlabelled_position, MARKERS.unlabelled_position, rtol=0, atol=0.51e-8
    )


def test_a_table_of_no_rows_is_not_written(folder: Path) -> None:
    before = (folder / "onsets.csv").read_bytes()
    with pytest.raises(ValueError, match=r"onsets\.csv would hold no rows"):
        write_onsets(folder / "onsets.csv", [])
    assert (folder / "onsets.csv").read_bytes() == before


def test_what_stood_there_stays_where_writing_fails(folder: Path) -> None:
    before = (folder / "tip.csv").read_bytes()
    broken = TipTrack(TRACK.frame, TRACK.uv[:2], TRACK.sd)
    with pytest.raises(IndexError):
        write_points(folder / "tip.csv", broken.frame, ["tip"] * 3, broken.uv, broken.sd)
    assert (folder / "tip.csv").read_bytes() == before
    assert not [p for p in folder.iterdir() if p.suffix == ".part"]
