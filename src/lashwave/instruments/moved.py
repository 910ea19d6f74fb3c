"""A camera that stands otherwise than when it was calibrated: by points at rest, whose places are
known.

The lens is as it was; the camera was turned about its own centre and shifted, a little. The move is
the likeliest one, by the images of the points and by how far a camera is pushed at most: so two
points are enough to say that it moved, and what few points leave open stays small and is counted
in the deviation. The same rigid move of the lab serves every kind of projection, parallel light
and views in a mirror too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import chdtrc

from lashwave.instruments.camera import project, project_jacobian
from lashwave.quantities import Array, Camera, Mask

PUSHED = np.array([0.1, 0.1, 0.1, 0.1, 0.1, 0.1])
"""How far a camera is turned [rad] and shifted [m] by a push, a standard deviation. Assumed."""
STEPS = 20
SETTLED = 1e-9
STRAY = 5.0
"""Standard deviations from which a point's image is another thing's."""
FEWEST = 3
"""Points that are kept at least."""
CHANCE = 1e-4
"""Probability of the misses by chance under which a camera is said to have moved."""


@dataclass(frozen=True)
class Moved:
    """A camera as it stands now, and how that differs from how it was calibrated."""

    camera: Camera
    """As it stands now; its `registration_sd` is by the points."""
    chance: float
    """Probability [1] of misses as large as these, had it stayed."""
    off: float
    """Of the points' images from where the calibration puts them, RMS [px]."""
    left: float
    """The same as it stands now."""
    turned: float
    """[rad]"""
    shifted: float
    """[m]"""
    used: Mask
    """(K,) points that agree with one another."""

    @property
    def moved(self) -> bool:
        """Whether the misses are beyond chance."""
        return self.chance < CHANCE

    @property
    def how(self) -> str:
        """By which turn and shift, in words."""
        turn, shift = np.degrees(self.turned), 1e3 * self.shifted
        return f"turned by {turn:.3g} deg and shifted by {shift:.2g} mm"


def moved_camera(camera: Camera, points: Array, uv: Array, sd: Array) -> Moved:
    """Where a camera stands now.

    Parameters
    ----------
    points : (K, 3) [m], two or more; uv : (K, 2) [px], their images.
    sd : (K,) of one image coordinate [px], the places' own error included.
    """
    used = np.ones(len(points), dtype=bool)
    while True:
        now, spread = _fitted(camera, points[used], uv[used], sd[used])
        off = np.linalg.norm(uv - project(now, points), axis=1) / sd
        worst = int(np.where(used, off, -1.0).argmax())
        if off[worst] <= STRAY or used.sum() <= max(FEWEST, 0.7 * len(points)):
            break
        used[worst] = False
    before, after = (uv[used] - project(c, points[used]) for c in (camera, now))
    chance = _chance(before, sd[used], camera.registration_sd)
    slopes = _slopes(now, points[used])
    free = max(2 * int(used.sum()) - 6, 1)
    worse = max(float(np.sum((after / sd[used, None]) ** 2)) / free, 1.0)
    image = np.einsum("kip,pq,kiq->", slopes, spread * worse, slopes) / (2 * used.sum())
    turn, shift = _move_between(camera, now, points)
    return Moved(
        camera=replace(now, registration_sd=float(np.sqrt(image))),
        chance=chance,
        off=float(np.sqrt(np.mean(np.sum(before**2, axis=1)))),
        left=float(np.sqrt(np.mean(np.sum(after**2, axis=1)))),
        turned=turn,
        shifted=shift,
        used=used,
    )


def _chance(off: Array, sd: Array, shared: float) -> float:
    """Probability of misses (K, 2) [px] of own deviations (K,), with one shift common to all."""
    cover = np.diag(sd**2) + shared**2
    square = float(np.einsum("ki,ki->", off, np.linalg.solve(cover, off)))
    return float(chdtrc(off.size, square))


def _pivot(camera: Camera, points: Array) -> Array:
    """(3,) [m] about which it is turned: its centre; in parallel light the points' middle."""
    block, shift = camera.projection[:, :3], camera.projection[:, 3]
    if not block[2].any():
        return np.asarray(points.mean(axis=0))
    return np.asarray(-np.linalg.solve(block, shift))


def _after(camera: Camera, pivot: Array, move: Array) -> Camera:
    """The camera of a lab that is turned about a pivot and shifted by `move` (6,) [rad, m]."""
    lab = np.eye(4)
    lab[:3, :3] = Rotation.from_rotvec(move[:3]).as_matrix()
    lab[:3, 3] = pivot + move[3:] - lab[:3, :3] @ pivot
    moved = np.asarray(camera.projection, dtype=float) @ lab
    return replace(camera, projection=moved, calibration=None)  # its errors were those of before


def _slopes(camera: Camera, points: Array, pivot: Array | None = None) -> Array:
    """(K, 2, 6) derivative [px/rad, px/m] of images by a further small move."""
    pivot = _pivot(camera, points) if pivot is None else pivot
    arm = points - pivot
    by_turn = np.zeros((len(points), 3, 3))
    by_turn[:, 0, 1], by_turn[:, 0, 2], by_turn[:, 1, 2] = arm[:, 2], -arm[:, 1], arm[:, 0]
    by_turn -= by_turn.swapaxes(1, 2)
    by_shift = np.broadcast_to(np.eye(3), by_turn.shape)
    return project_jacobian(camera, points) @ np.concatenate([by_turn, by_shift], axis=2)


def _fitted(camera: Camera, points: Array, uv: Array, sd: Array) -> tuple[Camera, Array]:
    """The camera after its likeliest move, and the covariance (6, 6) of that."""
    pivot, move = _pivot(camera, points), np.zeros(6)
    weight, stays = 1.0 / sd[:, None, None] ** 2, np.diag(PUSHED**-2.0)
    normal = stays
    for _ in range(STEPS):
        now = _after(camera, pivot, move)
        # A small move follows the one made already: by the points where that puts them.
        turned = Rotation.from_rotvec(move[:3]).apply(points - pivot) + move[3:] + pivot
        slopes = _slopes(camera, turned, pivot)
        rest = uv - project(now, points)
        normal = np.einsum("kip,kiq->pq", slopes * weight, slopes) + stays
        pull = np.einsum("kip,ki->p", slopes * weight, rest) - stays @ move
        step = np.linalg.solve(normal, pull)
        turn = Rotation.from_rotvec(step[:3]) * Rotation.from_rotvec(move[:3])
        arm = Rotation.from_rotvec(step[:3]).apply(move[3:])
        move = np.concatenate([turn.as_rotvec(), arm + step[3:]])
        if np.abs(step).max() < SETTLED:
            break
    return _after(camera, pivot, move), np.asarray(np.linalg.inv(normal))


def _move_between(was: Camera, now: Camera, points: Array) -> tuple[float, float]:
    """By how much a camera was turned [rad] and shifted [m]."""
    block = np.linalg.pinv(was.projection[:, :3]) if not was.projection[2, :3].any() else None
    if block is not None:
        off = project(now, points) - project(was, points)
        flat = float(np.linalg.norm(was.projection[0, :3]))
        return 0.0, float(np.linalg.norm(off.mean(axis=0)) / flat)
    turn = np.linalg.solve(was.projection[:, :3], now.projection[:, :3])
    angle = float(np.linalg.norm(Rotation.from_matrix(turn).as_rotvec()))
    return angle, float(np.linalg.norm(_pivot(now, points) - _pivot(was, points)))
