"""Where a board lies in the lab: as stated, or by cameras that stand where they were calibrated.

Each camera's picture moves the board by least squares; these moves are averaged by their joint
covariance, in which the cameras' own errors, and what they share, are counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from lashwave.calibrate import pinhole
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.corners import Corners
from lashwave.calibrate.held_lens import noise_of, pose_of
from lashwave.calibrate.point_fit import Calibrated, UndeterminedError
from lashwave.calibrate.pose import fit_pose, lens_alone
from lashwave.quantities import Array, Calibration, joint_covariance


@dataclass(frozen=True)
class Watcher:
    """A camera that stands where it was calibrated."""

    calibration: Calibration
    """With a lens and a pose."""
    corners: Corners | None
    """Of the board; None where it does not see it, and only shares errors with the others."""


@dataclass(frozen=True)
class BoardPlace:
    """Where a board lies in the lab."""

    origin: Array
    """(3,) [m]"""
    axes: Array
    """(3, 3), columns: the board's x, y and z axes in the lab."""
    noise: Array
    """(6, 6) covariance of a turn about the lab's axes through its origin [rad] and of its origin
    [m], but for what the watchers' own errors put in."""
    carried: Array
    """(6, S) derivative of these by the errors of the watchers' S fitted parameters."""
    warnings: tuple[str, ...] = ()

    def lab(self, points: Array) -> Array:
        """Places (n, 3) in the lab [m] of points (n, 3) on the board [m]."""
        return np.asarray(points @ self.axes.T + self.origin)

    def moved(self, move: Array) -> BoardPlace:
        """The same after a small turn and shift (6,) [rad, m]."""
        axes = pinhole.rotation_matrix(move[:3]) @ self.axes
        return replace(self, origin=self.origin + move[3:], axes=axes)


def known_board(origin: Array, axes: Array, turn_sd: float, origin_sd: float) -> BoardPlace:
    """A board whose place is stated: origin (3,) [m], axes (3, 3), and how well each of the three
    turns [rad] and of the three coordinates [m] is known."""
    spread = np.diag(np.repeat([turn_sd**2, origin_sd**2], 3))
    return BoardPlace(np.asarray(origin), np.asarray(axes), spread, np.empty((6, 0)))


def seen_board(
    watchers: Sequence[Watcher], sd: float | None = None, settings: CalibrateSettings = CALIBRATE
) -> BoardPlace:
    """Where a board lies, from the cameras that stand and see it.

    Parameters
    ----------
    watchers : at least one of them with corners.
    sd : of one image coordinate [px]; None takes each camera's from its own residuals.

    Raises
    ------
    UndeterminedError
        Where no camera sees the board, or one sees it so that it has no place.
    """
    sights = [(w.calibration, w.corners) for w in watchers if w.corners is not None]
    if not sights:
        raise UndeterminedError(
            "no camera that stands sees the board",
            "show it where one sees it, two better; or state where it lies",
        )
    alone = [fit_pose(c.points, c.uv, lens_alone(k), settings=settings) for k, c in sights]
    spread = [
        c.common * noise_of(k, one, c.points, sd, settings=settings).sd
        for one, (k, c) in zip(alone, sights, strict=True)
    ]
    sights = [
        (k, replace(c, points=c.points[one.used], uv=c.uv[one.used]))
        for one, (k, c) in zip(alone, sights, strict=True)
    ]
    place = min(
        (_by_one(k, found) for found, (k, _) in zip(alone, sights, strict=True)),
        key=lambda trial: _misses(trial, sights, spread),
    )
    errors = joint_covariance([w.calibration for w in watchers])
    ends = np.cumsum([0, *(len(w.calibration.parameters) for w in watchers)])
    own = [
        slice(int(a), int(b))
        for w, a, b in zip(watchers, ends[:-1], ends[1:], strict=True)
        if w.corners is not None
    ]
    for _ in range(settings.anew_steps):
        average = _average(place, sights, spread, own, errors)
        place = place.moved(average.move)
        if np.abs(average.move).max() < settings.anew_settled:
            break
    more, text = _disagreement(average, len(sights), settings)
    return replace(
        place, noise=average.noise + more * average.covariance, carried=average.carried,
        warnings=(*(alone[0].warnings if len(alone) == 1 else ()), *text),
    )  # fmt: skip


@dataclass(frozen=True)
class _Average:
    """By how much cameras together move a board."""

    move: Array
    """(6,) [rad, m]"""
    covariance: Array
    """(6, 6), all errors counted."""
    noise: Array
    """(6, 6), those of the pictures alone."""
    carried: Array
    """(6, S) derivative by the errors of the cameras that stand."""
    square: float
    """Of the single cameras' moves about it, by their joint covariance."""


def _average(
    place: BoardPlace,
    sights: list[tuple[Calibration, Corners]],
    spread: list[float],
    own: list[slice],
    errors: Array,
) -> _Average:
    count = len(sights)
    moves, noise = np.zeros(6 * count), np.zeros((6 * count, 6 * count))
    carried = np.zeros((6 * count, len(errors)))
    for k, ((calibration, corners), sd, mine) in enumerate(zip(sights, spread, own, strict=True)):
        here = slice(6 * k, 6 * k + 6)
        uv, by_move, by_camera = _slopes(calibration, place, corners)
        solve = np.linalg.pinv(by_move)
        moves[here] = solve @ (corners.uv - uv).ravel()
        noise[here, here] = sd**2 * solve @ solve.T
        carried[here, mine] = -solve @ by_camera
    whole = noise + carried @ errors @ carried.T
    size = 1.0 / np.sqrt(np.diag(whole))
    inverse = np.linalg.inv(whole * np.outer(size, size)) * np.outer(size, size)
    sums = np.tile(np.eye(6), (count, 1))
    covariance: Array = np.asarray(np.linalg.inv(sums.T @ inverse @ sums), dtype=float)
    weight = covariance @ sums.T @ inverse
    move = weight @ moves
    rest = moves - sums @ move
    return _Average(
        move, covariance, weight @ noise @ weight.T, weight @ carried, float(rest @ inverse @ rest)
    )


def _slopes(
    calibration: Calibration, place: BoardPlace, corners: Corners
) -> tuple[Array, Array, Array]:
    """Images (n, 2) of the board's corners, and their derivatives (2 n, 6) by a move of the board
    and (2 n, P) by the camera's fitted parameters."""
    full = np.concatenate([pinhole.lens_of(calibration), pose_of(calibration)])
    lab = place.lab(corners.points)
    uv, slope = pinhole.project_points(full, lab)
    by_place = slope[..., -3:] @ pinhole.rotation_matrix(full[-6:-3])
    by_turn = np.cross((lab - place.origin)[:, None, :], by_place)
    by_move = np.concatenate([by_turn, by_place], axis=2).reshape(-1, 6)
    names = pinhole.names_of(full.size)
    free = [names.index(name) for name in calibration.parameters]
    return uv, by_move, slope[:, :, free].reshape(len(by_move), -1)


def _disagreement(
    average: _Average, count: int, settings: CalibrateSettings
) -> tuple[float, tuple[str, ...]]:
    """What of the covariance is added to it where the cameras that stand contradict one another,
    and what is to be said."""
    freedom = 6 * (count - 1)
    if not freedom:
        return 0.0, ("one camera alone says where the board lies: nothing tells whether it stands",)
    if average.square <= chdtri(freedom, settings.anew_chance):
        return 0.0, ()
    text = (
        "the cameras that stand do not agree where the board lies (chi-square "
        f"{average.square:.0f} of {freedom}): was one of them moved too?"
    )
    return average.square / freedom - 1.0, (text,)


def _by_one(calibration: Calibration, found: Calibrated) -> BoardPlace:
    """Where the board lies by one camera alone."""
    pose, inside = pose_of(calibration), pose_of(found.calibration)
    back = pinhole.rotation_matrix(pose[:3]).T
    return BoardPlace(
        back @ (inside[3:] - pose[3:]), back @ pinhole.rotation_matrix(inside[:3]),
        np.zeros((6, 6)), np.empty((6, 0)),
    )  # fmt: skip


def _misses(
    place: BoardPlace, sights: list[tuple[Calibration, Corners]], spread: list[float]
) -> float:
    off = [
        np.sum((_slopes(k, place, c)[0] - c.uv) ** 2) / sd**2
        for (k, c), sd in zip(sights, spread, strict=True)
    ]
    return float(np.sum(off))
