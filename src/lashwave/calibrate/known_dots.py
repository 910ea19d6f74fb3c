"""Which dot is which known point: by the poses that a lens allows for three of them.

Each three dots allow up to four poses for three known points (P3P, Gao et al., IEEE Trans. Pattern
Anal. 25 (2003) 930). The right one shows the other points where there are dots too.
"""

from __future__ import annotations

from itertools import combinations, permutations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from lashwave.calibrate.pinhole import (
    LENS,
    intrinsics,
    lens_of,
    project_points,
    rotation_matrix,
)
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.pose import fit_pose
from lashwave.quantities import Array, Calibration, Index

NEAR = 4.0
"""[px] about a point's image within which a dot is its own; poses from three dots are rough."""
MOST_DOTS = 14
"""Dots at rest; more take too long, and are reflections."""
LIKELY = 12
"""Namings whose pose is fitted to all their points."""
CLEAR = 3.0
"""Times the distance of the best naming that the second must have [1], and 0.2 px more."""
TRIPLES = 4
"""Sets of three known points that are tried."""


def dots_of_points(points: ArrayLike, uv: ArrayLike, lens: Calibration) -> Index:
    """Which dot each known point is.

    Parameters
    ----------
    points : (K, 3) [m], four or more; uv : (D, 2) [px], dots; lens : with intrinsics, no fisheye.

    Returns
    -------
    dot : (K,), -1 for a point that no dot shows. Flat points are taken as seen from above, z up:
        from below, many layouts look alike.

    Raises
    ------
    UndeterminedError
        Too few or too many dots, none that fit, and points that look alike from two sides.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    if len(points) < 4 or not 4 <= len(uv) <= MOST_DOTS:
        raise UndeterminedError(
            f"{len(points)} known points and {len(uv)} dots at rest cannot be told apart",
            f"show 4 to {MOST_DOTS} dots, or give a table that names them",
        )
    full = np.concatenate([lens_of(lens), np.zeros(6)])
    inner, bend = intrinsics(full), full[4 : len(LENS)]
    found: dict[tuple[int, ...], float] = {}
    for three in _wide_triples(points):
        for dots in permutations(range(len(uv)), 3):
            turns = cv2.solveP3P(
                points[list(three), None], uv[list(dots), None], inner, bend, cv2.SOLVEPNP_P3P
            )[1:]
            for turn, shift in zip(*turns, strict=True):
                full[9:] = [*turn.ravel(), *shift.ravel()]
                if _from_below(full, points):
                    continue
                own, off = _shown(full, points, uv)
                if (own >= 0).sum() >= 4:
                    key = tuple(int(k) for k in own)
                    found[key] = min(off, found.get(key, np.inf))
    most = max((sum(k >= 0 for k in own) for own in found), default=0)
    likely = sorted((o for o in found if sum(k >= 0 for k in o) == most), key=lambda o: found[o])
    return _clearest({own: _refined(own, points, uv, lens) for own in likely[:LIKELY]})


def _wide_triples(points: Array) -> list[tuple[int, ...]]:
    """Threes of points that span the most [m2], so that their poses are least rough."""
    threes = list(combinations(range(len(points)), 3))
    area = [np.linalg.norm(np.cross(*(points[[b, c]] - points[a]))) for a, b, c in threes]
    return [threes[k] for k in np.argsort(area)[::-1][:TRIPLES]]


def _from_below(full: Array, points: Array) -> bool:
    """Whether a pose looks at flat points from their lower side."""
    away = points - points.mean(axis=0)
    _, size, axes = np.linalg.svd(away)
    if size[2] > 0.02 * size[0] or abs(axes[2, 2]) < 0.1:
        return False
    eye = -rotation_matrix(full[9:12]).T @ full[12:15]
    return bool((eye - points.mean(axis=0)) @ axes[2] * np.sign(axes[2, 2]) < 0.0)


def _shown(full: Array, points: Array, uv: Array) -> tuple[Index, float]:
    """Which dot each point is under a pose, -1 for none, and their rms distance [px]."""
    image, _ = project_points(full, points)
    away = np.linalg.norm(image[:, None] - uv, axis=2)
    own = np.where(away.min(axis=1) < NEAR, away.argmin(axis=1), -1)
    seen = own >= 0
    if np.unique(own[seen]).size < seen.sum():
        return np.full(len(points), -1), np.inf
    off = away.min(axis=1)[seen]
    return own, float(np.sqrt((off**2).mean())) if off.size else np.inf


def _refined(own: tuple[int, ...], points: Array, uv: Array, lens: Calibration) -> float:
    """Rms distance [px] of points from their dots under the pose that fits all of them."""
    seen = np.flatnonzero(np.array(own) >= 0)
    try:
        found = fit_pose(points[seen], uv[np.array(own)[seen]], lens, robust=False)
    except UndeterminedError:
        return np.inf
    return float(np.sqrt((found.residuals**2).sum(axis=1).mean()))


def _clearest(found: dict[tuple[int, ...], float]) -> Index:
    """The naming whose points are nearest to their dots; it must be clear of the second."""
    ranked = sorted(found, key=lambda own: found[own])
    if not ranked or not np.isfinite(found[ranked[0]]):
        raise UndeterminedError(
            "no pose shows the known points where the dots are", "check `known`, or name the dots"
        )
    best = ranked[0]
    others = [
        own
        for own in ranked[1:]
        if any(a != b and -1 not in (a, b) for a, b in zip(own, best, strict=True))
    ]
    if others and found[others[0]] < CLEAR * found[best] + 0.2:
        raise UndeterminedError(
            "the known points look alike from two sides", "lay them unevenly, or name the dots"
        )
    return np.array(best)
