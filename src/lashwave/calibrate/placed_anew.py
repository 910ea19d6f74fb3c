"""A camera that was moved, placed anew from one picture of a board, or from a few known points.

Its lens stays as it was calibrated. Where the board lies is stated, or seen by cameras that stand
where they stood. The moved camera's own picture says nothing of that, so the two are found one
after the other and lose nothing by it: first the board's place, then the pose among its corners.

Errors of the lens and of the cameras that stand are carried through to the pose as what they are,
errors common to all points, by the derivative of each estimate (propagation of covariance: Mikhail
and Ackermann, Observations and Least Squares, 1976, ch. 4; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.calibrate import pinhole
from lashwave.calibrate.board_place import BoardPlace, Watcher, known_board
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.corners import Corners
from lashwave.calibrate.held_lens import Noise, noise_of, of_lens, pose_of
from lashwave.calibrate.point_fit import Calibrated, numeric_jacobian
from lashwave.calibrate.pose import fit_pose, lens_alone, placed_sd
from lashwave.quantities import Array, Calibration, joint_covariance


@dataclass(frozen=True)
class PlacedAnew:
    """A moved camera as it stands now."""

    camera: Calibrated
    """Its lens as it was, its pose anew."""
    covariance: Array
    """(P + S, P + S) of its own P parameters and of the watchers' S: [px], [rad], [m] or [1]."""
    turned: float | None
    """By how much it was turned [rad]; None without an earlier pose."""
    shifted: float | None
    """How far its centre was shifted [m]."""


def place_anew(
    lens: Calibration,
    corners: Corners,
    place: BoardPlace,
    watchers: Sequence[Watcher] = (),
    *,
    sd: float | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> PlacedAnew:
    """The pose of a moved camera among the corners of a board.

    Parameters
    ----------
    lens : its calibration from before; its pose, if it has one, is only compared with.
    corners : of the board in its one picture.
    place : of the board; `watchers` are those that it was found by, if any.
    sd : of one image coordinate [px]; None takes it from the residuals.

    Raises
    ------
    UndeterminedError
        As `fit_pose`.
    """
    points = place.lab(corners.points)
    found = fit_pose(points, corners.uv, lens_alone(lens), settings=settings)
    noise = noise_of(lens, found, points, sd, settings=settings)
    noise = replace(noise, covariance=corners.common**2 * noise.covariance)
    return _finish(lens, found, points, noise, place, [w.calibration for w in watchers])


def place_by_points(
    lens: Calibration,
    points: Array,
    uv: Array,
    *,
    points_sd: float = 0.0,
    sd: float | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> PlacedAnew:
    """The pose of a moved camera from at least 4 points of known place.

    Parameters
    ----------
    lens : its calibration from before.
    points : (n, 3) [m]; uv : (n, 2) [px].
    points_sd : of one coordinate in space [m]; counted at each point's own distance.
    sd : of one image coordinate [px]; None takes it from the residuals, where `points_sd` is 0.

    Raises
    ------
    UndeterminedError
        As `fit_pose`.
    """
    held, weights = lens_alone(lens), np.ones(len(points))
    found = fit_pose(points, uv, held, settings=settings)
    if points_sd > 0.0:
        full = np.concatenate([pinhole.lens_of(held), pose_of(found.calibration)])
        slope = pinhole.project_points(full, points)[1][:, :, -3:]
        size = np.linalg.norm(slope, axis=(1, 2)) / np.sqrt(2.0)
        spread = np.hypot(sd or 0.0, points_sd * size)
        sd = float(np.median(spread))
        weights = sd / spread
        found = fit_pose(points, uv, held, weights=weights, settings=settings)
    noise = noise_of(lens, found, points, sd, weights, settings)
    return _finish(lens, found, points, noise, known_board(np.zeros(3), np.eye(3), 0.0, 0.0))


def _pose_on(pose: Array, place: BoardPlace, move: Array) -> Array:
    """(6,) the pose that keeps a picture of the board where the board is moved (6,) [rad, m]."""
    turn = pinhole.rotation_matrix(pose[:3])
    after = turn @ pinhole.rotation_matrix(move[:3]).T
    shift = turn @ place.origin + pose[3:] - after @ (place.origin + move[3:])
    return np.concatenate([pinhole.rotation_vector(after), shift])


def _finish(
    lens: Calibration,
    found: Calibrated,
    points: Array,
    noise: Noise,
    place: BoardPlace,
    watchers: Sequence[Calibration] = (),
) -> PlacedAnew:
    """The pose's covariance with all that goes into it, and the lens's own kept."""
    here, lens_columns = of_lens(lens)
    size, whole = len(here), joint_covariance([lens, *watchers])
    chosen = [*here, *range(len(lens.parameters), len(whole))]
    errors = whole[np.ix_(chosen, chosen)]
    pose = pose_of(found.calibration)
    by_board = numeric_jacobian(lambda move: _pose_on(pose, place, move), np.zeros(6))
    carried = np.concatenate([noise.by_lens, by_board @ place.carried], axis=1)
    own = noise.covariance + by_board @ place.noise @ by_board.T + carried @ errors @ carried.T
    cross = carried @ errors
    joint = np.block([
        [errors[:size, :size], cross[:, :size].T, errors[:size, size:]],
        [cross[:, :size], own, cross[:, size:]],
        [errors[size:, :size], cross[:, size:].T, errors[size:, size:]],
    ])  # fmt: skip
    mine = slice(0, size + 6)
    full = np.concatenate([pinhole.lens_of(lens), pose])
    slope = pinhole.project_points(full, points[found.used])[1]
    free = [*lens_columns, *range(full.size - 6, full.size)]
    calibration = replace(
        found.calibration,
        parameters=tuple(lens.parameters[i] for i in here) + pinhole.POSE,
        covariance=joint[mine, mine],
        registration_sd=placed_sd(slope[:, :, free], joint[mine, mine]),
        camera=lens.camera,
    )
    warnings = (*found.warnings, *noise.warnings, *place.warnings)
    return PlacedAnew(
        replace(found, calibration=calibration, warnings=warnings), joint, *_since(lens, pose)
    )


def _since(lens: Calibration, pose: Array) -> tuple[float | None, float | None]:
    """Turn [rad] and shift of the centre [m] since the earlier pose."""
    if lens.rotation is None or lens.translation is None:
        return None, None
    was, now = pinhole.rotation_matrix(lens.rotation), pinhole.rotation_matrix(pose[:3])
    turned = float(np.linalg.norm(pinhole.rotation_vector(now @ was.T)))
    return turned, float(np.linalg.norm(now.T @ pose[3:] - was.T @ lens.translation))
