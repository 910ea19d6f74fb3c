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
from lashwave.quantities.calibration import Calibration, SharedErrors, joint_covariance
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
    assert len(a.shared) == len(b.shared)
    for mine, theirs in zip(a.shared, b.shared, strict=True):
        assert (mine.camera, mine.parameters) == (theirs.camera, theirs.parameters)
        np.testing.assert_array_equal(mine.covariance, theirs.covariance)
    for field in (f for f in fields(Calibration) if f.name != "shared"):
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
    wanted = together()[0]
    write_calibration(folder / "tip-view.toml", wanted, {}, WHEN)
    trial = read_trial(folder)
    camera = trial.cameras[0]
    assert camera.calibration is not None
    assert_same(camera.calibration, wanted)
    np.testing.assert_array_equal(camera.projection, wanted.projection)
    np.testing.assert_array_equal(camera.intrinsics, wanted.intrinsics)
    np.testing.assert_array_equal(camera.distortion, wanted.distortion)
    assert camera.registration_sd == wanted.registration_sd
    assert "tip-view.toml" in trial.hashes


def test_what_the_trial_states_itself_goes_before_the_files_covariance(folder: Path) -> None:
    write_calibration(folder / "tip-view.toml", together()[0], {}, WHEN)
    text = (folder / "trial.toml").read_text()
    own = 'registration_sd = "0.7 px"\npoints = "tip.csv"'
    (folder / "trial.toml").write_text(text.replace('points = "tip.csv"', own))
    camera = read_trial(folder).cameras[0]
    assert camera.registration_sd == 0.7 and camera.calibration is None


def test_a_parameter_that_is_none_of_a_cameras_is_refused_in_a_trial(folder: Path) -> None:
    with pytest.raises(InputError, match=r"parameters: 'odd \"name\"' is none of a camera's"):
        read_trial(folder)
    bare = replace(together()[0], distortion=None)
    write_calibration(folder / "tip-view.toml", bare, {}, WHEN)
    with pytest.raises(InputError, match="distortion: is missing, and parameter k1 needs it"):
        read_trial(folder)


def together() -> list[Calibration]:
    """Two cameras of one adjustment."""
    names = ("fx", "fy", "cx", "cy", "k1", "k2")
    root = np.random.default_rng(4).normal(size=(12, 14))
    whole, found = root @ root.T, []
    for one, other, name in ((slice(0, 6), slice(6, 12), "b"), (slice(6, 12), slice(0, 6), "a")):
        shared = SharedErrors(name, names, whole[one, other])
        found.append(
            replace(
                calibration(), parameters=names, covariance=whole[one, one], shared=(shared,),
                camera="ba"[name == "b"], adjustment="of 4 May",
            )
        )  # fmt: skip
    return found


def two_cameras(folder: Path) -> list[Calibration]:
    """The folder's trial with a second camera, and both files of an adjustment."""
    text = (folder / "trial.toml").read_text()
    second = TRIAL.replace("tip-view", "second")
    (folder / "trial.toml").write_text(text + second)
    found = together()
    for name, one in zip(("tip-view", "second"), found, strict=True):
        write_calibration(folder / f"{name}.toml", one, {}, WHEN)
    return found


def test_a_trial_takes_what_two_cameras_share(folder: Path) -> None:
    wanted = two_cameras(folder)
    cameras = [c.calibration for c in read_trial(folder).cameras]
    for one, own in zip(cameras, wanted, strict=True):
        assert one is not None
        assert_same(one, own)
    np.testing.assert_array_equal(joint_covariance(cameras), joint_covariance(wanted))
    assert np.abs(joint_covariance(cameras)[:6, 6:]).min() > 0.0


@pytest.mark.parametrize("kind", ["unlike", "one-sided", "too much"])
def test_files_that_contradict_each_other_are_refused(folder: Path, kind: str) -> None:
    one, two = two_cameras(folder)
    block = two.shared[0].covariance
    if kind == "unlike":
        two = replace(two, shared=(replace(two.shared[0], covariance=1.01 * block),))
        told = ".*state unlike shared covariances; take all files of one calibration"
    elif kind == "one-sided":
        two = replace(two, shared=())
        told = ".*state unlike shared covariances"
    else:
        one = replace(one, shared=(replace(one.shared[0], covariance=9.0 * block.T),))
        two = replace(two, shared=(replace(two.shared[0], covariance=9.0 * block),))
        told = ".*has no covariance with the cameras before it"
    for name, c in (("tip-view", one), ("second", two)):
        write_calibration(folder / f"{name}.toml", c, {}, WHEN)
    with pytest.raises(
        InputError, match=r"trial.toml, line \d+, cameras\[1\].calibration: " + told
    ):
        read_trial(folder)
    write_calibration(folder / "second.toml", replace(two, adjustment="another"), {}, WHEN)
    read_trial(folder)


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


BAD_SHARED = {
    'adjustment = "of 4 May"': ("#", "adjustment: is missing, and shared needs it"),
    'camera = "b"': ("camera = 3", "shared[0].camera: 3 is not text"),
    'camera = "b"\nparameters = ["fx", ': (
        'camera = "b"\nparameters = [', "shared[0].covariance: is not 6 x 5 finite numbers",
    ),
    'camera = "b"\n': ('camera = "b"\nunit = 1\n', "shared[0].unit: is not a known field"),
}  # fmt: skip


@pytest.mark.parametrize("right", BAD_SHARED)
def test_one_clear_line_of_what_is_shared(tmp_path: Path, right: str) -> None:
    wrong, message = BAD_SHARED[right]
    path = tmp_path / "c.toml"
    write_calibration(path, together()[0], INPUTS, WHEN)
    text = path.read_text()
    assert text.count(right) == 1, text
    path.write_text(text.replace(right, wrong))
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(caught.value).startswith("c.toml, ") and message in str(caught.value)


def test_a_camera_shares_with_another_once(tmp_path: Path) -> None:
    one = together()[0]
    write_calibration(tmp_path / "c.toml", replace(one, shared=one.shared * 2), {}, WHEN)
    with pytest.raises(InputError, match=r"shared\[1\].camera: 'b' stands twice"):
        read(tmp_path / "c.toml")


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
