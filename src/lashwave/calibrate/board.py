"""Intrinsics and lens distortion from images of a flat board in many positions.

The library's closed form and its own minimisation give the start (Zhang, IEEE Trans. Pattern Anal.
22 (2000) 1330); then all lens parameters and the board's pose in each image are refined together,
which also gives their covariance. The board is taken as flat and its squares as exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.calibrate import bundle as bundle, pinhole
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.corners import Corners
from lashwave.calibrate.point_fit import (
    Calibrated,
    UndeterminedError,
    common_warnings,
    numeric_jacobian,
    robust_sd,
    scale_factor,
)
from lashwave.calibrate.pose import calibration_of, lens_warnings, placed_sd
from lashwave.quantities import Array

_FLAGS = {
    "k1": cv2.CALIB_FIX_K1, "k2": cv2.CALIB_FIX_K2, "k3": cv2.CALIB_FIX_K3,
    "p1": cv2.CALIB_ZERO_TANGENT_DIST, "p2": cv2.CALIB_ZERO_TANGENT_DIST,
}  # fmt: skip


@dataclass(frozen=True)
class Placed:
    """Where the board of one image lies in the lab, which fixes the camera's pose."""

    image: int
    """Its place among the images given."""
    origin: Array
    """(3,) [m], lab place of the board's first inner corner (chessboard) or corner (ChArUco)."""
    axes: Array
    """(3, 3), columns: the board's x, y and z axes in the lab."""


@dataclass(frozen=True)
class _Fit:
    answer: bundle.Bundle
    residuals: list[Array]
    used: list[NDArray[np.bool_]]
    sd: float
    unit: float
    degrees_of_freedom: int
    warnings: list[str]


def calibrate_board(
    boards: Sequence[Corners],
    size: tuple[int, int],
    *,
    distortion: tuple[str, ...] = ("k1", "k2", "p1", "p2", "k3"),
    fisheye: bool = False,
    sd: float | None = None,
    placed: Placed | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> Calibrated:
    """A camera's lens from corners in at least 3 images.

    Parameters
    ----------
    boards : corners of each image in which the board was found.
    size : width, height [px].
    distortion : which terms are fitted; the others are 0. Of a fisheye lens k1 to k4.
    fisheye : whether the lens is one, by the model of Kannala and Brandt (IEEE Trans. Pattern
        Anal. 28 (2006) 1335) as OpenCV has it.
    sd : of one image coordinate [px]; None takes it from the residuals.
    placed : the image in which the board's place is known; without it the calibration has no pose,
        and its projection is [K | 0], in camera axes.

    Raises
    ------
    UndeterminedError
        Fewer than 3 images, boards that are all parallel, and what else leaves the lens open.
    """
    boards, given = list(boards), len(boards)
    names = pinhole.FISHEYE if fisheye else pinhole.LENS
    free = np.array([n not in names[4:] or n in distortion for n in names])
    while True:
        if len(boards) < 3:
            raise UndeterminedError(
                f"the board is usable in {len(boards)} images", "take 8 to 20, tilted differently"
            )
        lens, poses = _start(boards, size, free)
        strange = _strange(
            boards,
            lens,
            poses,
            protected=None if placed is None else placed.image,
            settings=settings,
        )
        if strange is None:
            break
        boards.pop(strange)
        if placed is not None and strange < placed.image:
            placed = replace(placed, image=placed.image - 1)
    found = _refine(boards, lens, poses, free, sd, settings)
    if len(boards) < given:
        found.warnings.append(f"{given - len(boards)} images fit far worse and were left out")
    return _finish(boards, found, lens, free, size, placed, settings)


def _start(
    boards: list[Corners], size: tuple[int, int], free: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Lens (9,) or (8,) and poses (G, 6) by the library."""
    if free.size == len(pinhole.FISHEYE):
        return _start_fisheye(boards, size, free)
    flags = 0
    for name, fitted in zip(pinhole.LENS[4:], free[4:], strict=True):
        flags |= 0 if fitted else _FLAGS[name]
    spots = [b.points.astype(np.float32)[:, None] for b in boards]
    seen = [b.uv.astype(np.float32)[:, None] for b in boards]
    try:
        _, inner, bend, turns, shifts = cv2.calibrateCamera(
            spots, seen, size, None, None, flags=flags
        )
    except cv2.error as error:
        raise UndeterminedError(
            f"the boards give no camera ({error.err or 'no solution'})", "take more, tilted images"
        ) from None
    bend = np.ravel(bend)[:5] * free[4:]
    lens = np.array([inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *bend])
    if not np.isfinite(lens).all() or lens[:2].min() <= 0.0:
        raise UndeterminedError("the boards give no camera", "take more, tilted images")
    poses = np.array([[*np.ravel(r), *np.ravel(t)] for r, t in zip(turns, shifts, strict=True)])
    return lens, poses


def _start_fisheye(
    boards: list[Corners], size: tuple[int, int], free: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Lens (8,) and poses (G, 6) by the library, from the focal length of an even fisheye."""
    flags = cv2.CALIB_RECOMPUTE_EXTRINSIC + cv2.CALIB_FIX_SKEW
    for number, fitted in enumerate(free[4:], 1):
        flags |= 0 if fitted else getattr(cv2, f"CALIB_FIX_K{number}")
    spots = [np.ascontiguousarray(b.points, dtype=float).reshape(1, -1, 3) for b in boards]
    seen = [np.ascontiguousarray(b.uv, dtype=float).reshape(1, -1, 2) for b in boards]
    try:
        _, inner, bend, turns, shifts = cv2.fisheye.calibrate(
            spots, seen, size, np.eye(3), np.zeros(4), flags=flags
        )
    except cv2.error as error:
        raise UndeterminedError(
            f"the boards give no fisheye camera ({error.err or 'no solution'})",
            "take more, tilted images, and none with the board at the very edge",
        ) from None
    lens = np.array([inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *np.ravel(bend)])
    if not np.isfinite(lens).all() or lens[:2].min() <= 0.0:
        raise UndeterminedError("the boards give no fisheye camera", "take more, tilted images")
    poses = np.array([[*np.ravel(r), *np.ravel(t)] for r, t in zip(turns, shifts, strict=True)])
    return lens, poses


def _strange(
    boards: list[Corners],
    lens: Array,
    poses: Array,
    protected: int | None,
    settings: CalibrateSettings,
) -> int | None:
    """The image that fits worst, where it is far worse than the others."""
    spread = [
        robust_sd(b.uv - pinhole.project_points([*lens, *pose], b.points)[0])
        for b, pose in zip(boards, poses, strict=True)
    ]
    worst = int(np.argmax(spread))
    if worst == protected or spread[worst] < max(
        settings.board_strange * float(np.median(spread)), 0.05
    ):
        return None
    return worst


def _family(
    boards: list[Corners],
    lens: Array,
    poses: Array,
    free: NDArray[np.bool_],
    scale: float,
    used: list[NDArray[np.bool_]],
) -> bundle.Family:
    most, spread = max(len(b.uv) for b in boards), int(free.sum())

    def evaluate(shared: Array, own: Array) -> tuple[Array, Array, Array]:
        full = lens.copy()
        full[free] = shared
        rest = np.zeros((len(boards), most, 2))
        by_lens = np.zeros((len(boards), most, 2, spread))
        by_pose = np.zeros((len(boards), most, 2, 6))
        for g, board in enumerate(boards):
            uv, slope = pinhole.project_points(np.concatenate([full, own[g]]), board.points)
            keep = used[g][:, None] / scale
            here = len(uv)
            rest[g, :here] = (uv - board.uv) * keep
            by_lens[g, :here] = slope[:, :, :-6][:, :, free] * keep[..., None]
            by_pose[g, :here] = slope[:, :, -6:] * keep[..., None]
        count = len(boards)
        return (
            rest.reshape(count, -1),
            by_lens.reshape(count, 2 * most, spread),
            by_pose.reshape(count, 2 * most, 6),
        )

    return bundle.Family(evaluate, poses)


def _refine(
    boards: list[Corners],
    lens: Array,
    poses: Array,
    free: NDArray[np.bool_],
    sd: float | None,
    settings: CalibrateSettings,
) -> _Fit:
    used = [np.ones(len(b.uv), dtype=bool) for b in boards]
    for _ in range(6):
        family = _family(boards, lens, poses, free, 1.0, used)
        answer = bundle.solve([family], lens[free], settings=settings)
        lens = lens.copy()
        lens[free], poses = answer.shared, answer.own[0]
        rest = [
            b.uv - pinhole.project_points([*lens, *pose], b.points)[0]
            for b, pose in zip(boards, poses, strict=True)
        ]
        kept = np.concatenate([r[u] for r, u in zip(rest, used, strict=True)])
        cut = settings.fit_cut * max(robust_sd(kept), 1e-9, sd or 0.0)
        fresh = [np.linalg.norm(r, axis=1) <= cut for r in rest]
        settled = all((a == b).all() for a, b in zip(fresh, used, strict=True))
        if settled or any(u.sum() < 6 for u in fresh):
            break
        used = fresh
    count = 2 * sum(int(u.sum()) for u in used)
    freedom = count - int(free.sum()) - 6 * len(boards)
    if freedom <= 0:
        raise UndeterminedError("no degree of freedom is left", "take more images")
    fitted = float(np.sqrt(answer.square / freedom))
    known = fitted if sd is None else sd
    factor, remark = scale_factor(
        answer.square / known**2, freedom, sd is not None, settings=settings
    )
    unit = known * np.sqrt(factor) * max(b.common for b in boards)
    return _Fit(answer, rest, used, fitted, float(unit), freedom, [remark] if remark else [])


def _finish(
    boards: list[Corners],
    found: _Fit,
    lens: Array,
    free: NDArray[np.bool_],
    size: tuple[int, int],
    placed: Placed | None,
    settings: CalibrateSettings,
) -> Calibrated:
    answer = found.answer
    full = np.concatenate([lens, np.zeros(6)])
    full[:-6][free] = answer.shared
    covariance = found.unit**2 * answer.covariance
    names = pinhole.free_names(free)
    registration = 0.0
    if placed is not None:
        full[-6:], covariance = _lab_pose(answer, found.unit, placed)
        names = names + pinhole.POSE
        slope = _slope(boards[placed.image], placed, full)
        registration = placed_sd(slope[:, :, np.append(free, np.ones(6, dtype=bool))], covariance)
    used = np.concatenate(found.used)
    uv = np.concatenate([b.uv for b in boards])
    calibration = calibration_of(
        full, names, covariance, size,
        registration_sd=registration, reprojection_sd=found.sd,
        degrees_of_freedom=found.degrees_of_freedom, images=len(boards), points=int(used.sum()),
    )  # fmt: skip
    if placed is None:
        calibration = replace(calibration, rotation=None, translation=None)
    warnings = [
        *found.warnings,
        *common_warnings(uv, used, size, answer.condition, settings=settings),
    ]
    if len(boards) < settings.board_few:
        warnings.append(f"only {len(boards)} images: take {settings.board_few} to 20")
    warnings += lens_warnings(calibration, settings=settings)
    return Calibrated(
        calibration, np.concatenate(found.residuals), used, answer.condition, tuple(warnings)
    )


def _lab_pose(answer: bundle.Bundle, unit: float, placed: Placed) -> tuple[Array, Array]:
    """Camera pose (6,) in the lab, and the joint covariance of lens and pose."""
    own = answer.own[0][placed.image]

    def pose(board: Array) -> Array:
        turn = pinhole.rotation_matrix(board[:3]) @ placed.axes.T
        return np.concatenate(
            [pinhole.rotation_vector(turn), board[3:] - turn @ np.asarray(placed.origin)]
        )

    slope = numeric_jacobian(pose, own)
    cross, mine = answer.couple(0, placed.image)
    cross = cross @ slope.T
    joint = np.block([[answer.covariance, cross], [cross.T, slope @ mine @ slope.T]])
    return pose(own), unit**2 * joint


def _slope(board: Corners, placed: Placed, full: Array) -> Array:
    """(n, 2, 15) or (n, 2, 14) derivative of where the placed board's corners are seen."""
    lab = board.points @ placed.axes.T + placed.origin
    return pinhole.project_points(full, lab)[1]
