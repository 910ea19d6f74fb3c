"""What the cameras' calibrations do to all points alike, and what they do to each otherwise.

An error of the calibrations moves every point, by the images of it that it was placed by. What
that has in common is one shift, shared by the whole record, and a turn about the points' middle:
neither do pictures of the ring or the line itself tell, so they belong in no row. What is left, as
of a wand that was measured too long, differs from place to place: that is in the rows. A camera
outside the ring sees the points off by all of it, less what it shares with the ring.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.instruments import image_slopes, in_view, joint_errors, project, project_jacobian
from lashwave.quantities import Array, Camera

SOME = 2000
"""Points, evenly over the record, by which the common motion is found."""
AT_ONCE = 20_000
"""Points done together."""


@dataclass(frozen=True)
class RingErrors:
    """What the errors of a ring's calibrations do to points."""

    cameras: tuple[Camera, ...]
    picture_sd: Array
    """(C,) of the shift of each one's picture, beside what was fitted [px]."""
    position: Array
    """(Q, 3) [m] of some of the points."""
    moves: Array
    """(Q, 3, S) [m each of px, rad, m or 1] by each error; in the order of `joint_errors`."""
    shift: Array
    """(3, 3) [m2] covariance of the shift of all points alike."""
    own: Array
    """(P,) [m2] variance of one coordinate of what is left of it, once all are shifted and turned
    alike, by the errors that were fitted; of all of the points."""

    @property
    def shift_sd(self) -> float:
        """Of one coordinate of the common shift [m]."""
        return float(np.sqrt(np.trace(self.shift) / 3.0))


def ring_errors(
    cameras: Sequence[Camera], position: Array, gain: Array, picture_sd: Array
) -> RingErrors:
    """The errors of a ring of C cameras at points.

    Parameters
    ----------
    position : (P, 3) [m]; gain : (P, C, 3, 2) [m/px], how a point moves with each
        image of it.
    picture_sd : (C,) [px] as in `RingErrors`.
    """
    errors = joint_errors(cameras, picture_sd)
    if not len(position):
        none = np.empty((0, 3, len(errors.covariance)))
        return RingErrors(tuple(cameras), picture_sd, position, none, np.zeros((3, 3)), np.empty(0))
    some = np.unique(np.linspace(0, len(position) - 1, SOME).round().astype(int))
    moves = _moves(cameras, position[some], gain[some])
    middle = position[some].mean(axis=0)
    rigid = _rigid(position[some] - middle).reshape(-1, 6)
    common = np.linalg.pinv(rigid, rcond=1e-9) @ moves.reshape(-1, moves.shape[2])
    own = np.zeros(len(position))
    for rows in _parts(len(position)) if errors.fitted.any() else ():
        left = _moves(cameras, position[rows], gain[rows])
        left -= _rigid(position[rows] - middle) @ common
        own[rows] = np.einsum("pis,st,pit->p", left, errors.fitted, left, optimize=True) / 3.0
    shift = moves.mean(axis=0) @ errors.covariance @ moves.mean(axis=0).T
    return RingErrors(tuple(cameras), picture_sd, position[some], moves, shift, own)


def gains(cameras: Sequence[Camera], position: Array, weight: Array) -> Array:
    """(P, C, 3, 2) [m/px]: how a point moves with each image of it.

    Parameters
    ----------
    position : (P, 3) [m], each seen by two cameras or more.
    weight : (P, C) [px-2] of each image in its triangulation; 0 where a camera saw none.
    """
    slopes = np.stack([project_jacobian(k, position) for k in cameras], axis=1)
    slopes = np.where(weight[..., None, None] > 0.0, slopes, 0.0)
    normal = np.einsum("pc,pcij,pcik->pjk", weight, slopes, slopes)
    pull = np.einsum("pc,pcij->pcji", weight, slopes)
    return np.asarray(np.linalg.solve(normal[:, None], pull))


def picture_offset(camera: Camera, ring: RingErrors) -> float:
    """How far points of a ring may stand off in another camera's picture [px].

    The root mean square of one coordinate's deviation over the points in its view (over all where
    it sees none), its own registration included, and less what it shares with the ring.
    """
    image = project(camera, ring.position)
    seen = in_view(camera, image)
    chosen = np.flatnonzero(seen if seen.any() else np.isfinite(image[:, 0]))
    if not chosen.size:
        return camera.registration_sd
    alone = 0.0 if camera.calibration is not None else camera.registration_sd
    errors = joint_errors((*ring.cameras, camera), np.append(ring.picture_sd, alone))
    place = ring.position[chosen]
    # Where a point is put too far to the right it is foreseen there, as by a camera that errs so.
    off = np.concatenate(
        [project_jacobian(camera, place) @ ring.moves[chosen], image_slopes(camera, place)], axis=2
    )
    square = np.einsum("pis,st,pit->", off, errors.covariance, off, optimize=True)
    return float(np.sqrt(max(square, 0.0) / (2.0 * chosen.size)))


def _moves(cameras: Sequence[Camera], position: Array, gain: Array) -> Array:
    """(P, 3, S): a point goes against the error of an image that it is foreseen by."""
    return np.concatenate(
        [-gain[:, c] @ image_slopes(one, position) for c, one in enumerate(cameras)], axis=2
    )


def _rigid(arm: Array) -> Array:
    """(P, 3, 6) moves of points by a shift, and by a turn about what arms (P, 3) [m] start from."""
    whole = np.zeros((len(arm), 3, 6))
    whole[:, :, :3] = np.eye(3)
    x, y, z = arm.T
    whole[:, 0, 4], whole[:, 0, 5] = z, -y
    whole[:, 1, 3], whole[:, 1, 5] = -z, x
    whole[:, 2, 3], whole[:, 2, 4] = y, -x
    return whole


def _parts(count: int) -> Iterator[slice]:
    return (slice(k, k + AT_ONCE) for k in range(0, count, AT_ONCE))
