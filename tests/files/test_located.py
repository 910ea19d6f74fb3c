"""Fronts, widths of the tuft and onsets, as the trial format writes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lashwave.files.trial_folder import read_trial
from lashwave.quantities.errors import InputError
from tests.small_trial import LINE, described

TRIAL = (
    described()
    + """[[cameras]]
name = "tip-view"
rate = "20 kHz"
size = [640, 480]
projection = [[2000.0, 0, 0, 320], [0, 0, -2000.0, 240], [0, 0, 0, 1]]
points = "tip.csv"
fronts = "fronts.csv"
sd = "0.4 px"
[cameras.stations]
tip = "2.4 m"
[[microphones]]
name = "left"
file = "mic1.wav"
position = [1.2, -0.4, 1.5]
"""
)
FILES = {
    "trial.toml": TRIAL,
    "line.csv": LINE,
    "markers.csv": "time [s],marker,x,y,z\n"
    + "".join(f"{k / 500:.3f},M{m},{m},0,0\n" for k in range(25) for m in (1, 2)),
    "tip.csv": "frame,feature,u,v\n" + "".join(f"{k},tip,{100 + k},200\n" for k in range(9)),
    "fronts.csv": "frame,front,u [px],v [px]\n8,1,300,200\n7,1,310,200\n7,0,250,210.5\n",
    "tuft.csv": "frame,width [mm],width_sd [mm]\n6,9,0.5\n5,12,0.5\n",
    "onsets.csv": "microphone,time [ms],time_sd [us]\nleft,812.5,20\nmic1.wav,3.0,20\n",
    "mic1.wav": "RIFF",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def test_they_are_read_in_order_and_si(folder: Path) -> None:
    trial = read_trial(folder)
    (camera,) = trial.cameras
    assert camera.fronts is not None and camera.tuft is not None
    assert camera.fronts.frame.tolist() == [7, 7, 8]
    assert camera.fronts.number.tolist() == [0, 1, 1]
    assert camera.fronts.uv[0].tolist() == [250.0, 210.5]
    assert camera.fronts.sd.tolist() == [0.4] * 3  # the camera's, where the file has none
    np.testing.assert_allclose(camera.tuft.width, [0.012, 0.009])
    assert [(o.microphone, o.time, o.sd) for o in trial.onsets] == [
        ("left", pytest.approx(0.003), pytest.approx(2e-5)),
        ("left", pytest.approx(0.8125), pytest.approx(2e-5)),
    ]
    for name in ("fronts.csv", "tuft.csv", "onsets.csv"):
        assert name in trial.hashes


def test_the_tuft_of_two_cameras_must_be_named(folder: Path) -> None:
    second = TRIAL[TRIAL.index("[[cameras]]") : TRIAL.index("[[microphones]]")]
    second = second.replace('"tip-view"', '"side"').replace('fronts = "fronts.csv"\n', "")
    both = TRIAL.replace("[[microphones]]", second + "[[microphones]]")
    (folder / "trial.toml").write_text(both)
    assert [c.tuft for c in read_trial(folder).cameras] == [None, None]
    (folder / "trial.toml").write_text(
        both.replace('name = "side"', 'name = "side"\ntuft = "tuft.csv"')
    )
    first, side = read_trial(folder).cameras
    assert first.tuft is None and side.tuft is not None


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("fronts.csv", "7,0,", "7,0.5,", r"fronts.csv, line 4, front"),
        ("fronts.csv", "[px]", "[m]", r"fronts.csv, line 1, u"),
        ("fronts.csv", "310,", "9000,", r"fronts.csv, line 3, u"),
        ("tuft.csv", "6,9,0.5", "6,9,0", r"tuft.csv, line 2, width_sd"),
        ("tuft.csv", "5,12", "6,12", r"tuft.csv, line 3, frame"),
        ("tuft.csv", "width [mm]", "width [m]", r"tuft.csv, line 2, width"),
        ("onsets.csv", "left,", "right,", r"onsets.csv, line 2, microphone"),
        ("onsets.csv", "[ms]", "[mm]", r"onsets.csv, line 1, time"),
        ("onsets.csv", "812.5,20", "812.5,-20", r"onsets.csv, line 2, time_sd"),
    ],
)
def test_a_broken_one_is_refused(folder: Path, file: str, old: str, new: str, says: str) -> None:
    text = (folder / file).read_text()
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_trial(folder)
    assert says in str(caught.value)


def test_fronts_that_are_named_must_be_there(folder: Path) -> None:
    (folder / "fronts.csv").unlink()
    with pytest.raises(InputError, match="fronts"):
        read_trial(folder)
