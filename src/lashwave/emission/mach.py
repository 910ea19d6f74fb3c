"""The Mach angle of a front's straight part, held against the source's way.

sin mu = 1 / M, mu being the angle between front and velocity. In parallel light the
silhouette of a source's envelope keeps this with the velocity across the view alone, so M is that
of the motion across the view: a lower bound of the full Mach number, equal to it where the source
moves across the view. Holds where speed and direction were steady while the part was sent; a
part that is bent shows that they were not, and none is reported.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lashwave.quantities.arrays import Array

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
