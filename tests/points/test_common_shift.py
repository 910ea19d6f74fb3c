"""Errors that cameras share: what is common to all points, what is not, what another camera sees.

By closed forms (a lab that was shifted, turned, or drawn to another scale) and by drawing cameras
from the covariance of a wand's adjustment.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.calibrate.film_view import FilmView
from lashwave.calibrate.wand import calibrate_wand
from lashwave.calibrate.wand_rows import KnownPoints, Wand
from lashwave.instruments import project, project_jacobian, triangulate_many
from lashwave.instruments.calibration_errors import _with
from lashwave.points.dots.common_shift import RingErrors, picture_offset, ring_errors
from lashwave.quantities import Calibration, Camera, Clock
from lashwave.workbench.calibrate_wand import adjusted_together
from tests.calibrate.test_wand import FLOOR, SIZE, lens, rig, seen, waved

WHOLE = FilmView.of(SIZE, None, mirrored=False)
MIDDLE = np.array([0.4, 0.4, 0.8])
PLACES = MIDDLE + np.random.default_rng(5).uniform(-0.5, 0.5, (60, 3))


def camera(c: Calibration, name: str) -> Camera:
    return Camera(
        name, 500.0, c.size, c.projection, Clock(), 0.2, intrinsics=c.intrinsics,
        distortion=c.distortion, registration_sd=c.registration_sd, calibration=c,
    )  # fmt: skip


def gains(cameras: list[Camera]) -> np.ndarray:
    """(P, C, 3, 2) of points placed with equal weights."""
    slopes = np.stack([project_jacobian(k, PLACES) for k in cameras], axis=1)
    normal = np.einsum("pcij,pcik->pjk", slopes, slopes)
    return np.linalg.solve(normal[:, None], slopes.swapaxes(2, 3))


def judged(cameras: list[Camera], picture_sd: float = 0.0) -> RingErrors:
    return ring_errors(cameras, PLACES, gains(cameras), np.full(len(cameras), picture_sd))


def ring(by_pose: list[np.ndarray], together: bool = True) -> list[Camera]:
    """Three cameras whose poses (rotation vector, shift) move together by columns (6, k) each."""
    whole = np.concatenate(by_pose)
    names = ("rx", "ry", "rz", "tx", "ty", "tz")
    found = []
    for k, full in enumerate(rig(3)):
        own = replace(
            lens(), projection=pinhole(full), rotation=full[9:12], translation=full[12:],
            parameters=names, covariance=by_pose[k] @ by_pose[k].T, camera=f"c{k}",
        )  # fmt: skip
        found.append(own)
    if together:
        found = adjusted_together(found, [WHOLE] * 3, whole @ whole.T)
    return [camera(c, c.camera) for c in found]


def pinhole(full: np.ndarray) -> np.ndarray:
    from lashwave.calibrate.pinhole import projection_of

    return projection_of(full)


def turned(full: np.ndarray) -> np.ndarray:
    from lashwave.calibrate.pinhole import rotation_matrix

    return rotation_matrix(full[9:12])


SHIFT = 1e-3


def shifted_lab() -> list[np.ndarray]:
    """A lab that is shifted by s: R (X - s) + t has t go by -R s."""
    return [np.concatenate([np.zeros((3, 3)), -SHIFT * turned(x)]) for x in rig(3)]


def test_a_shift_of_the_lab_is_one_shift_of_all_points_and_no_rows_error() -> None:
    found = judged(ring(shifted_lab()))
    np.testing.assert_allclose(found.shift, SHIFT**2 * np.eye(3), atol=1e-5 * SHIFT**2)
    assert found.shift_sd == pytest.approx(SHIFT, rel=1e-5)
    assert found.own.max() < 1e-8 * SHIFT**2


def test_without_what_they_share_it_would_be_taken_for_less() -> None:
    """Three cameras that err each for itself: each moves the points by its own part of them."""
    cameras = ring(shifted_lab(), together=False)
    found = judged(cameras)
    slopes = np.stack([project_jacobian(k, PLACES) for k in cameras], axis=1)
    part = (gains(cameras) @ slopes).mean(axis=0)
    np.testing.assert_allclose(
        found.shift, SHIFT**2 * np.einsum("cij,ckj->ik", part, part), rtol=1e-4
    )
    assert found.shift_sd < 0.85 * SHIFT


def test_a_camera_of_the_same_lab_sees_nothing_of_its_shift() -> None:
    cameras = ring(shifted_lab())
    fast = cameras[2]
    found = judged(cameras[:2])
    assert picture_offset(fast, found) < 1e-4
    alone = replace(fast, calibration=None, registration_sd=0.25)
    slopes = project_jacobian(fast, PLACES)
    by_shift = SHIFT**2 * np.mean(np.sum(slopes**2, axis=(1, 2))) / 2.0
    assert picture_offset(alone, found) == pytest.approx(np.sqrt(by_shift + 0.25**2), rel=1e-3)


def test_a_wand_too_long_stretches_the_rows_apart() -> None:
    """A lab drawn larger by a share: t goes by that share, and so do all points."""
    share = 2e-4
    found = judged(ring([np.append(np.zeros(3), share * x[12:])[:, None] for x in rig(3)]))
    arm = PLACES - PLACES.mean(axis=0)
    np.testing.assert_allclose(found.own, share**2 * np.sum(arm**2, axis=1) / 3.0, rtol=1e-3)
    middle = PLACES.mean(axis=0)
    np.testing.assert_allclose(found.shift, share**2 * np.outer(middle, middle), rtol=1e-3)


def test_a_turn_of_the_lab_is_no_rows_error_but_another_camera_sees_it() -> None:
    """R exp(-[w]x): to first order each rotation vector goes by -J^-1 R w; here by differences."""
    from lashwave.calibrate.pinhole import rotation_matrix, rotation_vector

    small, columns = 1e-4, []
    for full in rig(3):
        axes = [rotation_vector(turned(full) @ rotation_matrix(-small * e)) for e in np.eye(3)]
        columns.append(np.concatenate([(np.array(axes) - full[9:12]).T, np.zeros((3, 3))]))
    cameras = ring(columns)
    found = judged(cameras[:2])
    assert found.own.max() < 1e-5 * small**2
    alone = replace(cameras[2], calibration=None, registration_sd=0.0)
    moved = -np.cross(PLACES[:, None], np.eye(3)) * small
    image = np.einsum("pik,pqk->pqi", project_jacobian(alone, PLACES), moved)
    wanted = np.sqrt(np.sum(image**2) / (2 * len(PLACES)))
    assert picture_offset(alone, found) == pytest.approx(wanted, rel=1e-2)
    assert picture_offset(cameras[2], found) < 0.02 * wanted


def test_what_residuals_show_beyond_the_calibration_shifts_pictures_each_for_itself() -> None:
    none = [np.zeros((6, 1))] * 3
    found, cameras = judged(ring(none), 0.0), ring(none)
    assert found.shift_sd == 0.0
    found = judged(cameras, 0.3)
    gain = gains(cameras).mean(axis=0)
    np.testing.assert_allclose(found.shift, 0.09 * np.einsum("cij,ckj->ik", gain, gain), rtol=1e-9)
    assert not found.own.any()


def drawn(cameras: list[Camera], errors: np.ndarray) -> list[Camera]:
    """The cameras with their parameters moved by errors (S,)."""
    found, first = [], 0
    for one in cameras:
        c = one.calibration
        assert c is not None
        for name, step in zip(c.parameters, errors[first:], strict=False):
            moved = _with(one, c, name, float(step))
            c = replace(
                c, projection=moved.projection, intrinsics=moved.intrinsics,
                distortion=moved.distortion,
            )  # fmt: skip
            if name in ("rx", "ry", "rz"):
                turn = np.array(c.rotation)
                turn["xyz".index(name[1])] += step
                c = replace(c, rotation=turn)
        first += len(c.parameters)
        found.append(camera(c, one.name))
    return found


def test_cameras_drawn_from_a_wands_covariance_put_points_where_it_says() -> None:
    """300 draws: the sampled deviations are the foreseen ones, within what 300 tell, from both
    sides; and a fourth camera of the same wand sees less of them than one apart would."""
    random, full = np.random.default_rng(3), rig(4)
    wand = Wand(np.array([0.0, 0.5]), 2e-4)
    known = KnownPoints(FLOOR, 1e-3, seen(full, FLOOR, 0.3, random))
    uv = seen(full, waved(60, wand), 0.3, random)
    fit = calibrate_wand([lens(random) for _ in range(4)], uv, wand, known=known, sd=0.3)
    parts = [replace(c.calibration, camera=f"c{k}") for k, c in enumerate(fit.cameras)]
    every = [camera(c, c.camera) for c in adjusted_together(parts, [WHOLE] * 4, fit.covariance)]
    cameras, fast = every[:3], every[3]
    found = judged(cameras)
    root = np.linalg.cholesky(fit.covariance + 1e-18 * np.diag(np.diag(fit.covariance)))
    true, misses, offs = every, [], []
    uv = np.stack([project(k, PLACES) for k in true], axis=1)
    for _ in range(300):
        now = drawn(every, root @ random.standard_normal(len(root)))
        at = triangulate_many(now[:3], uv[:, :3], np.ones(3))[0]
        misses.append(at - PLACES)
        offs.append(project(now[3], at) - uv[:, 3])
    miss, off = np.array(misses), np.array(offs)
    common = miss.mean(axis=1)
    assert np.sqrt(np.mean(common**2)) == pytest.approx(found.shift_sd, rel=0.15)
    sampled = np.cov(common.T)
    assert np.linalg.norm(sampled - found.shift) < 0.25 * np.linalg.norm(found.shift)
    arm = PLACES - PLACES.mean(axis=0)
    rigid = np.concatenate(
        [np.broadcast_to(np.eye(3), (60, 3, 3)), np.cross(np.eye(3), arm[:, None]).swapaxes(1, 2)],
        axis=2,
    ).reshape(-1, 6)
    left = miss.reshape(300, -1).T
    left = (left - rigid @ np.linalg.lstsq(rigid, left, rcond=None)[0]).T.reshape(miss.shape)
    assert np.sqrt(np.mean(left**2)) == pytest.approx(np.sqrt(found.own.mean()), rel=0.15)
    offset = picture_offset(fast, found)
    assert np.sqrt(np.mean(off**2)) == pytest.approx(offset, rel=0.15)
    apart = replace(fast, calibration=replace(fast.calibration, adjustment=""))
    assert picture_offset(apart, found) > 1.5 * offset


def test_a_mirrored_camera_of_the_wand_shares_its_errors_turned_over() -> None:
    names, root = ("cx", "p2", "tx"), np.random.default_rng(8).normal(size=(6, 8))
    whole = root @ root.T
    own = [
        replace(lens(), parameters=names, covariance=whole[k : k + 3, k : k + 3], camera=str(k))
        for k in (0, 3)
    ]
    one, two = adjusted_together(own, [WHOLE, FilmView.of(SIZE, None, mirrored=True)], whole)
    turned = whole[:3, 3:] * np.array([-1.0, -1.0, 1.0])
    np.testing.assert_allclose(one.shared[0].covariance, turned)
    np.testing.assert_allclose(two.shared[0].covariance, turned.T)
    assert two.mirrored and not one.mirrored
