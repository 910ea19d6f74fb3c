"""The Mach number of the tip by the cone that it drags along, where a front has a straight part.

Each point of a front was sent at the moment from which it took least time to arrive; the tip's
direction at those moments, by the motion, is what the front's angle is held against
(`mach_angle`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.emission.front_speed import PLACE_SD
from lashwave.instruments import frame_time, project, project_jacobian
from lashwave.quantities import Array, Camera, Draws

LEAST_POINTS = 8
BENT = 3.0
"""A part is straight where the parabola's term is under this many standard deviations."""
LEAST_ASPECT = 20.0
"""Length over sagitta that a straight part must be shown to have, whatever its errors."""


@dataclass(frozen=True)
class MachAngle:
    """Of one straight part; nan with a reason where there is none."""

    angle: float
    """mu [rad], 0 to pi / 2"""
    angle_sd: float
    mach: float
    """Across the view."""
    mach_sd: float
    length: float
    """Of the straight part [px]"""
    reason: str | None = None


def mach_angle(uv: ArrayLike, sd: ArrayLike, ahead: ArrayLike, ahead_sd: float = 0.0) -> MachAngle:
    """Mach angle from points along one side of a front in one frame.

    sin mu = 1 / M, mu being the angle between front and velocity. In parallel light the silhouette
    of a source's envelope keeps this with the velocity across the view alone, so M is that of the
    motion across the view: a lower bound of the full Mach number, equal to it where the source
    moves across the view. Holds where speed and direction were steady while the part was sent; a
    part that is bent shows that they were not, and none is reported.

    Parameters
    ----------
    uv : (P, 2) [px], in order along the front; sd : (P,) [px], independent.
    ahead : (2,) direction of the source's motion in the image; ahead_sd : of that angle [rad].
    """
    points, error = np.asarray(uv, dtype=float), np.asarray(sd, dtype=float)
    part = _straight(points, error)
    if part is None:
        reason = f"no straight part of {LEAST_POINTS} points or more"
        return MachAngle(np.nan, np.nan, np.nan, np.nan, 0.0, reason)
    along, slope_sd = _line(points[part], error[part])
    way = np.asarray(ahead, dtype=float)
    cosine = abs(float(along @ way)) / float(np.linalg.norm(way))
    angle = float(np.arccos(min(cosine, 1.0)))
    angle_sd = float(np.hypot(slope_sd, ahead_sd))
    mach = 1.0 / max(np.sin(angle), 1e-9)
    length = float(np.linalg.norm(points[part][-1] - points[part][0]))
    return MachAngle(angle, angle_sd, mach, mach**2 * np.cos(angle) * angle_sd, length)


def _frame(points: Array) -> tuple[Array, Array, Array]:
    """Principal direction, and coordinates along and across it."""
    middle = points - points.mean(axis=0)
    along = np.linalg.svd(middle, full_matrices=False)[2][0]
    return along, middle @ along, middle @ np.array([-along[1], along[0]])


def _line(points: Array, sd: Array) -> tuple[Array, float]:
    """Direction of the weighted line through points, and its sd [rad]."""
    along, x, y = _frame(points)
    weight = 1.0 / sd**2
    x = x - np.average(x, weights=weight)
    squared = float((weight * x * x).sum())
    turn = float((weight * x * y).sum()) / squared
    turned = along + turn * np.array([-along[1], along[0]])
    return turned / np.linalg.norm(turned), squared**-0.5


def _straight(points: Array, sd: Array) -> slice | None:
    """The longest run of points that is straight within its errors."""
    count = points.shape[0]
    for size in range(count, LEAST_POINTS - 1, -1):
        for first in range(count - size + 1):
            part = slice(first, first + size)
            _, x, y = _frame(points[part])
            rows = np.column_stack([np.ones(size), x, x * x]) / sd[part, None]
            factor = np.linalg.qr(rows)[1]
            bend = np.linalg.lstsq(rows, y / sd[part], rcond=None)[0][2]
            bend_sd = 1.0 / abs(factor[2, 2])
            half = 0.5 * float(np.ptp(x))
            if abs(bend) <= BENT * bend_sd and (abs(bend) + 2 * bend_sd) * half <= 2 / LEAST_ASPECT:
                return part
    return None


SHALLOWEST = 1.4
"""A cone's angle is under this [rad]; beyond it (Mach 1.015) its sine tells no Mach number."""


@dataclass(frozen=True)
class Cone:
    """Mach number across the view; nan with a reason where no part of a front is straight."""

    mach: float
    sd: float
    frame: int
    reason: str | None = None


def cone(camera: Camera, number: int, draws: Draws, sound: float) -> Cone:
    """Of all frames of a front, the Mach number that is known best.

    Parameters
    ----------
    draws : of the motion, its last station the tip; sound : speed of sound [m/s].
    """
    assert camera.fronts is not None
    fronts = camera.fronts
    own = fronts.number == number
    place, way = _in_image(camera, draws)
    fast = np.flatnonzero(_speed(camera, draws) > sound)
    if fast.size < 2:
        return Cone(np.nan, np.nan, -1, "the tip is not supersonic across the view")
    span = slice(fast[0], fast[-1] + 1)
    scale = float(np.linalg.svd(project_jacobian(camera, draws.position[0, 0, -1]))[1][:2].mean())
    offset = float(np.median(draws.shared.get(f"clock_offset:{camera.name}", camera.clock.offset)))
    best = Cone(np.nan, np.inf, -1, f"no straight part of {LEAST_POINTS} points or more")
    for frame in np.unique(fronts.frame[own]):
        here = own & (fronts.frame == frame)
        now = float(frame_time(camera.rate, camera.counted(frame), offset))
        for side in _sides(fronts.uv[here], place.mean(axis=0)[span], way.mean(axis=0)[span]):
            uv = fronts.uv[here][side]
            sent = _sent(uv, place.mean(axis=0)[span], draws.time[span], now, sound * scale)
            if len(uv) < LEAST_POINTS or not sent.size:
                continue
            order = np.argsort((uv - uv.mean(axis=0)) @ np.linalg.svd(uv - uv.mean(axis=0))[2][0])
            ahead, ahead_sd = _ahead(way[:, span], sent)
            sd = np.full(len(uv), scatter(uv[order]))
            seen = mach_angle(uv[order], sd, ahead, ahead_sd)
            if np.isfinite(seen.mach) and seen.angle < SHALLOWEST and seen.mach_sd < best.sd:
                best = Cone(seen.mach, seen.mach_sd, int(frame))
    return best


def scatter(uv: Array) -> float:
    """Standard deviation [px] of points (P, 2), in order along a curve, from one to the next.

    What they share, by which a front stands off all of them, does not turn a line. Third
    differences of independent errors have a variance 20 times theirs.
    """
    middle = uv - uv.mean(axis=0)
    across = middle @ np.linalg.svd(middle, full_matrices=False)[2][1]
    left = np.abs(np.diff(across, 3))
    return float(np.hypot(1.4826 * np.median(left) / np.sqrt(20.0), PLACE_SD))


def _in_image(camera: Camera, draws: Draws) -> tuple[Array, Array]:
    """Place [px] and velocity [px/s] of the tip's image, (D, K, 2) each."""
    tip = draws.position[:, :, -1].astype(float)
    slope = project_jacobian(camera, tip)
    return project(camera, tip), np.einsum("dkij,dkj->dki", slope, draws.velocity[:, :, -1])


def _speed(camera: Camera, draws: Draws) -> Array:
    """(K,) [m/s], of the tip across the view, mean of the draws."""
    ahead = np.asarray(camera.projection, dtype=float)[:2, :3]
    ahead = np.cross(ahead[0], ahead[1])
    ahead /= np.linalg.norm(ahead)
    velocity = draws.velocity[:, :, -1].astype(float).mean(axis=0)
    return np.asarray(np.linalg.norm(velocity - (velocity @ ahead)[:, None] * ahead, axis=1))


def _sides(uv: Array, place: Array, way: Array) -> list[NDArray[np.bool_]]:
    """Points to the right and to the left of the tip's way."""
    nearest = np.linalg.norm(uv[:, None] - place, axis=2).argmin(axis=1)
    off, along = uv - place[nearest], way[nearest]
    turn = along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]
    return [turn > 0.0, turn < 0.0]


def _sent(uv: Array, place: Array, time: Array, now: float, sound: float) -> NDArray[np.intp]:
    """Indices of the moments at which points of a front were sent; sound in [px/s].

    Points whose first arrival is from either end of the supersonic span belong to no cone.
    """
    arrival = time + np.linalg.norm(uv[:, None] - place, axis=2) / sound
    first = arrival.argmin(axis=1)
    inside = (first > 0) & (first < time.size - 1)
    return np.asarray(first[inside & (time[first] < now)])


def _ahead(way: Array, sent: NDArray[np.intp]) -> tuple[Array, float]:
    """Direction of the tip when the front was sent, and its sd [rad]: of draws, and of its turn."""
    unit = way[:, sent] / np.linalg.norm(way[:, sent], axis=2, keepdims=True)
    mean = unit.mean(axis=(0, 1))
    mean /= np.linalg.norm(mean)
    off = np.arctan2(unit[..., 0] * mean[1] - unit[..., 1] * mean[0], unit @ mean)
    return mean, float(np.hypot(off.mean(axis=1).std(), off.mean(axis=0).std()))
