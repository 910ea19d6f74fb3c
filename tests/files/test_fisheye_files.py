"""A fisheye lens through the files: calibration, trial, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lashwave.files.calibration_toml import read_calibration, write_calibration
from lashwave.files.source import Folder
from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.quantities.calibration import Calibration
from lashwave.workbench.cli import main
from tests.calibrate.test_fisheye import INNER, LENS
from tests.files.test_located import FILES, TRIAL

PLACED = INNER @ np.column_stack([np.eye(3), [0.0, 0.0, 4.0]])
PLAIN = "projection = [[2000.0, 0, 0, 320], [0, 0, -2000.0, 240], [0, 0, 0, 1]]"


def put(folder: Path, camera: str) -> Path:
    for name, text in FILES.items():
        (folder / name).write_text(text)
    text = TRIAL.replace(PLAIN, camera).replace("[640, 480]", "[1280, 960]")
    (folder / "trial.toml").write_text(text)
    return folder


def test_a_calibration_file_carries_the_lens_to_a_trial(tmp_path: Path) -> None:
    lens = Calibration((1280, 960), PLACED, INNER, LENS[4:])
    write_calibration(tmp_path / "wide.toml", lens, {})
    again = read_calibration(Folder(tmp_path), "wide.toml", "test", None, "lens")
    np.testing.assert_array_equal(again.distortion, LENS[4:])
    trial = read_trial(put(tmp_path, 'calibration = "wide.toml"'))
    np.testing.assert_array_equal(trial.cameras[0].distortion, LENS[4:])
    write_trial(tmp_path / "again", trial)
    camera = read_trial(tmp_path / "again").cameras[0]
    np.testing.assert_array_equal(camera.distortion, LENS[4:])


@pytest.mark.parametrize(
    "lens, says",
    [
        ("distortion = [0.1, 0.0, 0.0, 0.0]", "is not 5 finite numbers"),
        ('lens_model = "fisheye"\ndistortion = [0.1, 0, 0, 0, 0]', "is not 4 finite numbers"),
        ('lens_model = "fisheye"', "a fisheye lens needs it"),
        ('lens_model = "wide"', "unknown"),
    ],
)
def test_a_lens_that_is_not_stated_whole_is_one_line(
    tmp_path: Path, capsys, lens: str, says: str
) -> None:
    inner = f"projection = {PLACED.tolist()}\nintrinsics = {INNER.tolist()}\n"
    put(tmp_path, inner + lens)
    assert main(["check", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert says in said and said.count("\n") == 1
