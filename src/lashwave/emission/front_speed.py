"""How fast a numbered front runs along its normal, from the points of a trial's file alone.

Normals come from a front's own neighbouring points; a point is followed to where the same front
stands in its next frame. In parallel light the outline of a front is seen where light grazes it,
so the outline runs along its normal at the front's own speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lashwave.quantities import Array, Fronts

NEIGHBOURS = 7
"""Points of a front that a straight piece of it is laid through."""
SLOWEST, FASTEST = 0.8, 1.4
"""Of a front's step, over that of sound: flanks of other fronts are no continuation."""
ASIDE = 0.3
"""Share of its length that a continuation may lie beside the step."""
FEWEST = 5
"""Points that must be followed from one frame to the next."""
OUTLYING = 4.0
"""Steps further than this from their median are of another flank [robust sd]."""
PLACE_SD = 0.05
"""What a frame's place keeps of the pixels' phase [px]."""


@dataclass(frozen=True)
class NormalSpeed:
    """Of one front; its scale's own uncertainty is not included."""

    value: float
    """[px/frame]"""
    sd: float
    """[px/frame]"""
    pairs: int
    """Neighbouring frames it was followed through."""


def normal_speed(fronts: Fronts, number: int, pace: float) -> NormalSpeed | None:
    """Mean speed of a front along its normal; None where it cannot be followed.

    Parameters
    ----------
    pace : step of sound [px/frame].
    """
    own = fronts.number == number
    frames = np.unique(fronts.frame[own])
    steps, passed, place = [], [], []
    for before, after in zip(frames[:-1], frames[1:], strict=True):
        gap = int(after - before)
        first, then = (fronts.uv[own & (fronts.frame == f)] for f in (before, after))
        found = _steps(first, then, gap * pace)
        if found.size < FEWEST:
            continue
        off = found - np.median(found)
        spread = 1.4826 * float(np.median(np.abs(off)))
        found = found[np.abs(off) <= OUTLYING * max(spread, 0.1)]
        steps.append(float(np.median(found)))
        passed.append(gap)
        # Points' own sd are mostly shared from frame to frame, so that a step holds none of them.
        place.append(float(np.hypot(spread / np.sqrt(found.size), PLACE_SD)))
    if not steps:
        return None
    step, gap_of = np.array(steps), np.array(passed, dtype=float)
    value = float(step.sum() / gap_of.sum())
    # Steps as if independent: they share places with their neighbours, which could only cancel.
    scatter = float(np.std(step - value * gap_of, ddof=1)) if step.size > 2 else 0.0
    sd = max(scatter, float(np.mean(place))) * np.sqrt(step.size) / gap_of.sum()
    return NormalSpeed(value, float(sd), step.size)


def _steps(first: Array, then: Array, expected: float) -> Array:
    """Steps [px] of those points of one frame that the next continues."""
    if min(len(first), len(then)) < NEIGHBOURS:
        return np.empty(0)
    normal, straight = _normals(first)
    over, over_straight = _normals(then)
    tree = cKDTree(then)
    found = np.full((2, len(first)), np.nan)
    for k, sign in enumerate((1.0, -1.0)):
        away, nearest = tree.query(first + sign * expected * normal)
        there = over[nearest]
        cosine = (normal * there).sum(axis=1)
        step = ((then[nearest] - first) * there).sum(axis=1) / np.where(cosine == 0, 1e-9, cosine)
        aside = np.abs(((then[nearest] - first) * normal[:, ::-1] * [-1, 1]).sum(axis=1))
        good = straight & over_straight[nearest] & (np.abs(cosine) > 0.9)
        good &= (aside < ASIDE * expected + 3.0) & (away < expected)
        step = sign * step
        good &= (step > SLOWEST * expected) & (step < FASTEST * expected)
        found[k, good] = step[good]
    # Normals have no sign of their own, so one point may go either way, but not both.
    either = np.isfinite(found).sum(axis=0) == 1
    return np.nanmax(found[:, either], axis=0)


def _normals(points: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Unit normals (P, 2) of pieces through each point's neighbours; which of them are straight."""
    _, near = cKDTree(points).query(points, k=min(NEIGHBOURS, len(points)))
    about = points[near] - points[near].mean(axis=1, keepdims=True)
    _, size, axes = np.linalg.svd(about, full_matrices=False)
    return axes[:, 1], size[:, 1] < 0.2 * size[:, 0]
