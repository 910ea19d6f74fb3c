"""Closed forms that start the fits: projections, rigid moves, and starts among outliers.

Direct linear transformation: Abdel-Aziz and Karara, Proc. Symp. Close-Range Photogrammetry, 1971,
solved by SVD on coordinates moved to their centroid and scaled (Hartley, IEEE Trans. Pattern Anal.
19 (1997) 580). Rigid move: Umeyama, IEEE Trans. Pattern Anal. 13 (1991) 376.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from lashwave.quantities.arrays import Array

_TRIES = 300


def dlt(points: ArrayLike, uv: ArrayLike) -> Array:
    """(3, 4) projection of at least 6 points (n, 3), not in one plane, seen at (n, 2).

    Scaled so that the centroid has depth 1: positive in front.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    lab, flat = _to_unit(points), _to_unit(uv)
    space = np.column_stack([points, np.ones(len(points))]) @ lab.T
    image = np.column_stack([uv, np.ones(len(uv))]) @ flat.T
    zero = np.zeros_like(space)
    rows = np.concatenate(
        [
            np.hstack([space, zero, -image[:, :1] * space]),
            np.hstack([zero, space, -image[:, 1:2] * space]),
        ]
    )
    last = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 4)
    projection = np.linalg.inv(flat) @ last @ lab
    return np.asarray(projection / (projection[2] @ np.append(points.mean(axis=0), 1.0)))


def affine(points: ArrayLike, uv: ArrayLike) -> Array:
    """(3, 4) projection with last row [0, 0, 0, 1], of least norm where not determined."""
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    middle, centre = points.mean(axis=0), uv.mean(axis=0)
    rows = np.linalg.lstsq(points - middle, uv - centre, rcond=1e-10)[0].T
    top = np.column_stack([rows, centre - rows @ middle])
    return np.vstack([top, [0.0, 0.0, 0.0, 1.0]])


def rigid(source: ArrayLike, target: ArrayLike) -> tuple[Array, Array]:
    """Rotation (3, 3) and shift (3,) that take points (n, 3) nearest to others (n, 3)."""
    source, target = np.asarray(source, dtype=float), np.asarray(target, dtype=float)
    here, there = source.mean(axis=0), target.mean(axis=0)
    left, _, right = np.linalg.svd((target - there).T @ (source - here))
    sign = np.sign(np.linalg.det(left) * np.linalg.det(right))
    turn = left @ np.diag([1.0, 1.0, sign]) @ right
    return turn, there - turn @ here


def apply(projection: Array, points: ArrayLike) -> Array:
    """(n, 2) image of points (n, 3)."""
    image = np.asarray(points, dtype=float) @ projection[:, :3].T + projection[:, 3]
    return np.asarray(image[:, :2] / image[:, 2:])


def among_outliers(
    solve: Callable[[Array, Array], Array], points: Array, uv: Array, least: int, seed: int = 0
) -> Array:
    """A projection whose median residual is least, over fits to random sets of `least` points.

    Least median of squares (Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871): holds with up to half
    of the points false, and better than 99 % surely with a third false and sets of 8 or fewer.
    """
    random = np.random.default_rng(seed)
    best = solve(points, uv)
    least_seen = _median(best, points, uv)
    if len(points) <= least + 1:
        return best
    for _ in range(_TRIES):
        some = random.choice(len(points), least, replace=False)
        try:
            with np.errstate(all="ignore"):
                trial = solve(points[some], uv[some])
        except np.linalg.LinAlgError:
            continue
        seen = _median(trial, points, uv)
        if seen < least_seen:
            best, least_seen = trial, seen
    return best


def _median(projection: Array, points: Array, uv: Array) -> float:
    with np.errstate(all="ignore"):
        off = np.median(np.linalg.norm(apply(projection, points) - uv, axis=1))
    return float(off) if np.isfinite(off) else np.inf


def _to_unit(points: Array) -> Array:
    """(d + 1, d + 1) that moves points (n, d) to their centroid and to unit rms a coordinate."""
    size = points.shape[1]
    centre = points.mean(axis=0)
    spread = float(np.sqrt(((points - centre) ** 2).mean())) or 1.0
    move = np.eye(size + 1)
    move[:size] /= spread
    move[:size, size] = -centre / spread
    return move
