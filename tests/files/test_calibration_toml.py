"""Calibration files go round to the last digit, and a trial takes them."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import fields, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from lashwave import __version__
from lashwave.files.calibration_toml import read_calibration, write_calibration
from lashwave.files.source import Folder
from lashwave.files.trial_folder import read_trial
from lashwave.quantities.calibration import Calibration
from lashwave.quantities.errors import InputError
from tests.small_trial import described, write_small_trial

WHEN = datetime.datetime(2026, 5, 4, 12, 30, 5, 999, tzinfo=datetime.UTC)
INPUTS = {"board/01.png": "ab" * 32}
INNER = np.array([[2000.123456789, 0.0, 511.5], [0.0, 2001.1 / 3, 383.25], [0.0, 0.0, 1.0]])
TURN, SHIFT = np.array([0.1, -2.0, 1 / 3]), np.array([0.3, -0.1, 2.5])


def calibration() -> Calibration:
    """A camera with a pose, composed by OpenCV's own formula for a rotation vector."""
    rotation = cv2.Rodrigues(TURN)[0]
    root = np.random.default_rng(4).normal(size=(6, 6))
    return Calibration(
        size=(1024, 768),
        projection=INNER @ np.column_stack([rotation, SHIFT]),
        intrinsics=INNER,
        distortion=np.array([-0.1, 0.02, 1e-4, -3e-17, 0.0]),
        rotation=TURN,
        translation=SHIFT,
        parameters=("fx", "fy", "cx", "cy", "k1", 'odd "name"'),
        covariance=root @ root.T,
        registration_sd=1 / 7,
        reprojection_sd=0.2 / 3,
        degrees_of_freedom=1234,
        images=20,
        points=1080,
    )


def read(path: Path) -> Calibration:
    return read_calibration(Folder(path.parent), path.name, "trial.toml", 9, "calibration")


def assert_same(a: Calibration, b: Calibration) -> None:
    for field in fields(Calibration):
        one, two = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, two, strict=True)
        else:
            assert one == two, field.name


@pytest.mark.parametrize("kind", ["pose", "plain DLT", "parallel light"])
def test_it_goes_round(tmp_path: Path, kind: str) -> None:
    wanted = calibration()
    if kind != "pose":
        wanted = replace(
            wanted, intrinsics=None, distortion=None, rotation=None, translation=None,
            parameters=(), covariance=np.empty((0, 0)),
        )  # fmt: skip
    if kind == "parallel light":
        flat = np.array([[2e3 / 3, 0, 0, 500], [0, 0, -2e3, 400], [0, 0, 0, 1.0]])
        wanted = replace(wanted, projection=flat)
    write_calibration(tmp_path / "c.toml", wanted, INPUTS, WHEN)
    assert_same(read(tmp_path / "c.toml"), wanted)


@settings(max_examples=30, deadline=None)
@given(
    values=st.lists(
        st.floats(allow_nan=False, allow_infinity=False, width=64), min_size=5, max_size=5
    ),
    sd=st.floats(0, 1e4),
)
def test_numbers_keep_every_digit(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], sd: float
) -> None:
    path = tmp_path_factory.mktemp("c") / "c.toml"
    wanted = replace(calibration(), distortion=np.array(values), registration_sd=sd)
    write_calibration(path, wanted, {})
    assert_same(read(path), wanted)


def test_where_it_came_from_is_stated(tmp_path: Path) -> None:
    write_calibration(tmp_path / "c.toml", calibration(), INPUTS, WHEN)
    table = tomllib.loads((tmp_path / "c.toml").read_text())
    assert table["program"] == f"lashwave {__version__}"
    assert table["date"] == WHEN.replace(microsecond=0)
    assert table["inputs"] == INPUTS
    assert calibration().sd("fy") == np.sqrt(calibration().covariance[1, 1])
    with pytest.raises(KeyError):
        calibration().sd("k9")


def test_what_is_not_finite_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not finite"):
        write_calibration(tmp_path / "c.toml", replace(calibration(), reprojection_sd=np.nan), {})
    assert not list(tmp_path.iterdir())


TRIAL = """[[cameras]]
name = "tip-view"
rate = "20 kHz"
size = [1024, 768]
calibration = "tip-view.toml"
points = "tip.csv"
sd = "0.4 px"
[cameras.stations]
tip = "2.4 m"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_small_trial(tmp_path, described() + TRIAL)
    (tmp_path / "tip.csv").write_text("frame,feature,u,v\n1,tip,100,200\n")
    write_calibration(tmp_path / "tip-view.toml", calibration(), {}, WHEN)
    return tmp_path


def test_a_trial_takes_it(folder: Path) -> None:
    trial, wanted = read_trial(folder), calibration()
    camera = trial.cameras[0]
    np.testing.assert_array_equal(camera.projection, wanted.projection)
    np.testing.assert_array_equal(camera.intrinsics, wanted.intrinsics)
    np.testing.assert_array_equal(camera.distortion, wanted.distortion)
    assert camera.registration_sd == wanted.registration_sd
    assert "tip-view.toml" in trial.hashes


def test_a_calibration_of_another_size_is_refused(folder: Path) -> None:
    write_calibration(folder / "tip-view.toml", replace(calibration(), size=(1024, 1024)), {})
    with pytest.raises(InputError, match=r"toml, line \d, size: is not the camera's 1024"):
        read_trial(folder)


BAD = {
    "schema = 1": ("schema = 2", "schema: 2 is not known"),
    "size = [1024, 768]": ("size = [1024]", "size: is not 2 finite numbers"),
    "images = 20": ("images = -1", "images: -1 is not a count"),
    "points = 1080": ("points = true", "points: True is not a count"),
    "degrees_of_freedom = 1234": ("degrees = 1234", "degrees: is not a known field"),
    'registration_sd = "0.14285714285714285 px"': (
        'registration_sd = "1 m"', "[m] is a unit of length",
    ),
    "rotation = [": ("#", "rotation: is missing, and a pose needs both"),
    '"fx", "fy"': ('"fx", "fx"', "parameters: names one twice"),
    '"fx", ': ("", "covariance: is not 5 x 5 finite numbers"),
    "covariance = [[": ("covariance = [[-", "covariance: is no covariance"),
    "projection = [[": ("projection = [[nan, ", "projection: is not 3 x 4 finite numbers"),
    "[inputs]": ("[inputs", "is not TOML"),
}  # fmt: skip


@pytest.mark.parametrize("right", BAD)
def test_one_clear_line(tmp_path: Path, right: str) -> None:
    wrong, message = BAD[right]
    path = tmp_path / "c.toml"
    write_calibration(path, calibration(), INPUTS, WHEN)
    text = path.read_text()
    assert text.count(right) == 1
    path.write_text(text.replace(right, wrong))
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(caught.value).startswith("c.toml, ") and message in str(caught.value)
