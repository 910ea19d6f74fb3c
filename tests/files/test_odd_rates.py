"""Rates that are no whole numbers, through every file that states one."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import ezc3d
import numpy as np
import pytest

from lashwave.files.trial_folder import read_pictures, read_trial
from lashwave.files.write_trial import write_trial
from tests.files.test_located import FILES, TRIAL

RATES = {"24000/1001 Hz": 24000 / 1001, "23.976 Hz": 23.976, "6688.96 Hz": 6688.96}


def put(folder: Path, text: str) -> Path:
    for name, content in FILES.items():
        (folder / name).write_text(content)
    (folder / "trial.toml").write_text(text)
    return folder


@pytest.mark.parametrize("stated", RATES)
def test_a_cameras_rate_is_kept_to_its_last_digit(tmp_path: Path, stated: str) -> None:
    trial = read_trial(put(tmp_path, TRIAL.replace("20 kHz", stated)))
    assert trial.cameras[0].rate == pytest.approx(RATES[stated], rel=1e-15)
    write_trial(tmp_path / "again", trial)
    assert read_trial(tmp_path / "again").cameras[0].rate == trial.cameras[0].rate


@pytest.mark.parametrize("rate", [23.976, 239.76, 299.7])
def test_markers_of_c3d_keep_the_rate_of_its_float(tmp_path: Path, rate: float) -> None:
    """POINT:RATE has 32 bits: 24 of them are of the number (c3d.org), so 6e-8 of it."""
    made = ezc3d.c3d()
    point = made["parameters"]["POINT"]
    point["RATE"]["value"], point["LABELS"]["value"] = [rate], ["M1", "M2"]
    point["UNITS"]["value"] = ["m"]
    places = np.ones((4, 2, 3000))
    places[0, 1] = 0.2
    made["data"]["points"] = places
    made.write(str(tmp_path / "markers.c3d"))
    trial = read_trial(put(tmp_path, TRIAL.replace("markers.csv", "markers.c3d")))
    assert trial.markers.rate == pytest.approx(rate, rel=6e-8)
    assert trial.markers.time[-1] == pytest.approx(2999 / rate, rel=6e-8)


def test_a_film_is_timed_by_the_trial_and_not_by_its_container(tmp_path: Path) -> None:
    text = TRIAL.replace('points = "tip.csv"\nfronts = "fronts.csv"', 'frames = "film.avi"')
    text = text[: text.index("[[microphones]]")].replace("20 kHz", "24000/1001 Hz")
    put(tmp_path, text)
    (tmp_path / "onsets.csv").unlink()
    with av.open(str(tmp_path / "film.avi"), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(24000, 1001))
        stream.width, stream.height, stream.pix_fmt = 640, 480, "gray"
        for k in range(3):
            picture = np.full((480, 640), 100 + k, np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))
        container.mux(stream.encode())
    pictures = read_pictures(tmp_path)
    assert len(pictures.frames["tip-view"]) == 3
    assert pictures.trial.cameras[0].rate == pytest.approx(24000 / 1001)
