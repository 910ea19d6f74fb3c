"""What a camera's errors do to its images, and what cameras that were adjusted together share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.calibrate.film_view import FilmView
from lashwave.calibrate.pinhole import names_of, project_points, rotation_vector
from lashwave.calibrate.pose import calibration_of
from lashwave.instruments import image_slopes, joint_errors, project
from lashwave.quantities import Calibration, Camera, Clock, SharedErrors, Window

SIZE = (1280, 1024)
TURN = rotation_vector(np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])) + 0.2
POSE = np.array([*TURN, 0.1, 0.2, 3.0])
BROWN = np.array([1400.0, 1410, 630, 520, -0.15, 0.05, 5e-4, -4e-4, 0.01, *POSE])
FISHEYE = np.array([700.0, 705, 630, 520, 0.02, -0.01, 3e-3, -1e-3, *POSE])
POINTS = np.random.default_rng(1).uniform(-0.6, 0.6, (30, 3))
SD = {"f": 2.0, "c": 1.5, "k": 1e-3, "p": 1e-4, "r": 1e-3, "t": 1e-3}


def calibrated(full: np.ndarray) -> Calibration:
    names = names_of(full.size)
    spread = np.diag([SD[name[0]] ** 2 for name in names])
    return calibration_of(full, names, spread, SIZE)


def camera(c: Calibration) -> Camera:
    return Camera(
        "c", 500.0, c.size, c.projection, Clock(), 0.2, intrinsics=c.intrinsics,
        distortion=c.distortion, mirrored=c.mirrored, calibration=c,
    )  # fmt: skip


@pytest.mark.parametrize("full", [BROWN, FISHEYE], ids=["brown", "fisheye"])
def test_slopes_are_those_of_another_library(full: np.ndarray) -> None:
    ours = image_slopes(camera(calibrated(full)), POINTS)
    theirs = project_points(full, POINTS)[1]
    scale = np.abs(theirs).max(axis=(0, 1))
    assert np.abs((ours[:, :, :-2] - theirs) / scale).max() < 1e-4
    np.testing.assert_array_equal(ours[:, :, -2:], np.broadcast_to(np.eye(2), (30, 2, 2)))


def test_a_view_in_a_mirror_errs_as_the_one_behind_it() -> None:
    """The same errors, seen in pictures that are turned over and cut from a film's."""
    view = FilmView.of((2000, 1100), Window(300, 40, *SIZE), mirrored=True)
    own = calibrated(BROWN)
    film = view.outward(own)
    inside, outside = image_slopes(camera(own), POINTS), image_slopes(camera(film), POINTS)
    turn = view.parameters_outward(own.parameters)
    there = outside[:, :, :-2] @ turn
    np.testing.assert_allclose(there[:, 0], -inside[:, 0, :-2], rtol=1e-3, atol=1e-4)
    np.testing.assert_allclose(there[:, 1], inside[:, 1, :-2], rtol=1e-3, atol=1e-4)


def test_a_plain_projection_errs_by_its_entries() -> None:
    """u = (row 1 . X) / (row 3 . X): the slopes are X / w and -u X / w."""
    base = calibrated(BROWN)
    names = tuple(f"p{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3, 4))
    plain = Calibration(
        SIZE, base.projection, parameters=names, covariance=np.diag(np.full(12, 1e-8))
    )
    one = camera(plain)
    slopes, space = image_slopes(one, POINTS), np.column_stack([POINTS, np.ones(30)])
    depth, u = space @ base.projection[2], project(one, POINTS)[:, 0]
    np.testing.assert_allclose(slopes[:, 0, :4], space / depth[:, None], rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(slopes[:, 0, 8:12], -(u / depth)[:, None] * space, rtol=1e-4)
    assert not slopes[:, 0, 4:8].any()


def pair(adjustment: tuple[str, str] = ("a", "a")) -> tuple[list[Camera], np.ndarray]:
    root = np.random.default_rng(2).normal(size=(30, 40))
    whole = root @ root.T
    names = names_of(15)
    cut = {"one": slice(0, 15), "two": slice(15, 30)}
    found = []
    for k, (name, other) in enumerate((("one", "two"), ("two", "one"))):
        shared = SharedErrors(other, names, whole[cut[name], cut[other]])
        own = replace(
            calibrated(BROWN), covariance=whole[cut[name], cut[name]], camera=name,
            adjustment=adjustment[k], shared=(shared,),
        )  # fmt: skip
        found.append(replace(camera(own), name=name))
    return found, whole


def test_errors_of_all_are_those_of_the_adjustment() -> None:
    """In whatever order, with a camera between them of which nothing is known but an offset."""
    cameras, whole = pair()
    bare = replace(cameras[0], calibration=None)
    found = joint_errors([cameras[1], bare, cameras[0]], np.array([0.0, 0.3, 0.1]))
    two, other, one = (np.arange(p.start, p.stop) for p in found.place)
    own = np.concatenate([one[:-2], two[:-2]])
    np.testing.assert_array_equal(found.fitted[np.ix_(own, own)], whole)
    np.testing.assert_allclose(np.diag(found.covariance)[other], 0.09)
    np.testing.assert_allclose(np.diag(found.covariance)[one[-2:]], 0.01)
    assert not found.fitted[other].any() and not found.covariance[np.ix_(other, own)].any()


def test_files_of_two_adjustments_share_nothing() -> None:
    cameras, whole = pair(("a", "b"))
    found = joint_errors(cameras, np.zeros(2)).fitted
    np.testing.assert_array_equal(found[:15, :15], whole[:15, :15])
    assert not found[:15, 17:].any()
