"""Pictures on disk: as rendered, named by a trial that reads, beside the points of the same."""

import csv
import json
import tomllib
import wave

import numpy as np
import pytest
import tifffile

from lashwave.files.trial_folder import read_trial
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures
from lashwave.workbench.cli import main
from tests.twin.rigid import rigid_throw


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    out = tmp_path_factory.mktemp("bench")
    setting = Setting(frames=4, infrared=3, infrared_size=(160, 128))
    taken = take(*rigid_throw(flashes=True), setting)
    told = []
    bench_pictures.write(taken, lambda stage, share: told.append(share), out)
    assert told == sorted(told) and told[0] == 0.0 and told[-1] < 1.0
    return out, taken


def test_images_are_written_as_rendered(written):
    out, taken = written
    for film in (taken.fast[0], taken.infrared[2]):
        files = sorted((out / "trial" / film.camera.name).glob("*.tif"))
        assert len(files) == len(film)
        assert (tifffile.imread(files[3]) == film[3]).all()


def test_sound_is_written_in_volts_of_full_scale(written):
    out, taken = written
    heard = taken.sound[0]
    with wave.open(str(out / "trial" / "mic1.wav")) as sound:
        assert sound.getframerate() == heard.hearing.rate and sound.getsampwidth() == 2
        volts = np.frombuffer(sound.readframes(sound.getnframes()), "<i2") / 32768.0
    assert np.abs(volts - heard.volts).max() <= 1 / 32768


def test_the_points_beside_read_as_a_trial(written):
    out, taken = written
    seen = read_trial(out / "seen")
    assert [c.name for c in seen.cameras] == ["tip-view"]
    assert np.abs(seen.cameras[0].uv - taken.trial.cameras[0].uv).max() < 1e-4
    assert seen.cameras[0].flashes.tolist() == taken.found["flashes"]["tip-view"]


def test_the_trial_holds_pictures_and_no_points(written):
    out, taken = written
    folder = out / "trial"
    assert {p.name for p in folder.iterdir() if p.is_file()} == {
        "trial.toml", "line.csv", "mic1.wav",
    }  # fmt: skip
    told = tomllib.loads((folder / "trial.toml").read_text())
    assert [c["shows"] for c in told["cameras"]] == ["schlieren", *3 * ["dots"]]
    for camera in told["cameras"]:
        assert "points" not in camera and "flashes" not in camera
        assert list(folder.glob(camera["frames"]))
    # Once the markers are located, every field of it reads.
    copy = folder / "markers.csv"
    copy.write_bytes((out / "seen" / "markers.csv").read_bytes())
    try:
        read = read_trial(folder)
    finally:
        copy.unlink()
    assert read.microphones[0].sensitivity == taken.sound[0].hearing.sensitivity
    assert read.microphones[0].position == pytest.approx(taken.sound[0].position)
    assert len([n for n in read.notes if "no points file" in n]) == 4


def test_what_should_be_found_is_written_beside(written):
    out, taken = written
    for name in bench_pictures.TABLES:
        with (out / "truth-pictures" / f"{name}.csv").open(encoding="utf-8") as stream:
            rows = list(csv.reader(stream))
        assert rows[0] == bench_pictures.TABLES[name]
        assert len(rows) - 1 == len(taken.found[name])
    rest = json.loads((out / "truth-pictures" / "births.json").read_text())
    assert rest["birth"]["time"] == taken.found["birth"]["time"]
    assert rest["onsets"][0]["microphone"] == "mic1"


@pytest.mark.parametrize("wish", [["--swaps", "1"], ["--kind", "held"], ["--no-camera"]])
def test_pictures_that_cannot_be_are_refused_in_one_line(wish, tmp_path, capsys):
    assert main(["simulate", str(tmp_path / "sim"), "--pictures", *wish]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "sim").exists()
