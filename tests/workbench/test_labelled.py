"""Points without a label, and exchanged labels, from the files to what the commands say of them.

The truth beside each trial is the place that was written: a straight line of known stations, and
the twin's true motion.
"""

import json
from dataclasses import replace

import numpy as np
import xarray as xr

from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.pipeline.labelled import labelled
from lashwave.workbench.cli import main
from tests.files.c3d_writer import write_c3d
from tests.workbench.conftest import SAMPLES, STATIONS


def stripped(trial, which):
    """The trial with the labels of samples (T, L) taken off their points."""
    markers = trial.markers
    sample, _ = np.nonzero(which)
    bare = replace(
        markers,
        position=np.where(which[..., None], np.nan, markers.position),
        unlabelled_time=markers.time[sample],
        unlabelled_position=markers.position[which],
    )
    return replace(trial, markers=bare)


def notes(folder, capsys):
    """What `check` says of reading a trial."""
    assert main(["check", str(folder), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    return record, " ".join(f["text"] for f in record["findings"] if f["about"] == "reading")


def test_a_record_without_any_label_is_labelled(tmp_path, trial, capsys):
    write_trial(tmp_path / "trial", trial)
    rows = (tmp_path / "trial" / "markers.csv").read_text().splitlines()
    bare = [",".join("" if k == 1 else v for k, v in enumerate(r.split(","))) for r in rows[1:]]
    (tmp_path / "trial" / "markers.csv").write_text("\n".join([rows[0], *bare]) + "\n")
    record, said = notes(tmp_path / "trial", capsys)
    assert "0 labels kept, 1806 added" in said
    assert [m["coverage"] for m in record["markers"]] == [1.0] * STATIONS.size
    found = labelled(read_trial(tmp_path / "trial")).markers
    off = np.linalg.norm(found.position - trial.markers.position, axis=-1)
    assert found.labels == trial.markers.labels and off.max() < 1e-5  # as rounded in the file


def test_labels_that_points_have_stay_and_the_rest_is_added(tmp_path, trial, capsys):
    rng = np.random.default_rng(2)
    gone = rng.random((SAMPLES, STATIONS.size)) < 0.4
    gone[:, 3] = True  # a label that no point carries
    write_trial(tmp_path / "trial", stripped(trial, gone))
    _, said = notes(tmp_path / "trial", capsys)
    assert f"{(~gone).sum()} labels kept" in said and "0 taken away" in said
    found = labelled(read_trial(tmp_path / "trial")).markers
    off = np.linalg.norm(found.position - trial.markers.position, axis=-1)
    assert np.isfinite(off).mean() > 0.99
    assert np.nanmax(off) < 1e-5


def test_points_without_a_name_in_c3d(tmp_path, trial):
    write_trial(tmp_path / "trial", trial)
    folder = tmp_path / "trial"
    # Columns in turn carry two markers each: as points without a name are exported.
    place = 1e3 * trial.markers.position[:, [2, 0, 5, 1, 4, 3]]
    place[150:, [0, 2]] = place[150:, [2, 0]]
    write_c3d(folder / "markers.c3d", place, ["*10", "M01", "*11", "", "M05", "*2"])
    text = (folder / "trial.toml").read_text().replace("markers.csv", "markers.c3d")
    (folder / "trial.toml").write_text(text)
    read = read_trial(folder)
    assert read.markers.unlabelled_time.size == 4 * SAMPLES
    found = labelled(read).markers
    off = np.linalg.norm(found.position - trial.markers.position, axis=-1)
    assert np.isfinite(off).all() and off.max() < 1e-6  # of 32-bit millimetres
    assert not found.unlabelled_time.size


def test_a_clean_record_is_not_touched(trial):
    assert labelled(trial) is trial


def test_exchanged_labels_are_mended_and_told_by_reconstruct(tmp_path, trial, quick):
    place = trial.markers.position.copy()
    place[100:140, [2, 4]] = place[100:140, [4, 2]]
    write_trial(tmp_path / "trial", replace(trial, markers=replace(trial.markers, position=place)))
    assert main(["reconstruct", str(tmp_path / "trial"), "--out", str(tmp_path / "out")]) == 0
    warnings = json.loads((tmp_path / "out" / "summary.json").read_text())["warnings"]
    told = [w for w in warnings if w.startswith("markers: 40 samples labelled")]
    assert [w[:42] for w in told] == [
        "markers: 40 samples labelled M03 are M05, ",
        "markers: 40 samples labelled M05 are M03, ",
    ]


def test_swaps_of_the_bench_are_mended(tmp_path, capsys):
    argv = ["simulate", str(tmp_path), "--kind", "swing", "--seed", "6", "--swaps", "4"]
    assert main([*argv, "--quiet"]) == 0
    capsys.readouterr()
    _, said = notes(tmp_path / "trial", capsys)
    assert said.count("samples labelled") >= 4
    read = read_trial(tmp_path / "trial").markers
    found = labelled(read_trial(tmp_path / "trial")).markers
    with xr.open_dataset(tmp_path / "truth.nc", engine="h5netcdf") as truth:
        at = truth.position.sel(time=read.time, method="nearest")
        true = at.interp(station=read.station[~read.on_handle]).transpose("time", "station", "axis")
    # Stations are stated to some millimetres; the next marker is some 100 mm away.
    swapped = np.linalg.norm(read.position[:, ~read.on_handle] - true.values, axis=-1) > 0.02
    off = np.linalg.norm(found.position[:, ~found.on_handle] - true.values, axis=-1)
    assert swapped.sum() > 20
    assert not (off > 0.02).any()
    assert np.isfinite(off).sum() > 0.97 * np.isfinite(read.position[..., 0]).sum()
