"""Where a marker is between its other samples, and how far from there it may be.

A cubic through two samples on either side, or a parabola through three where a run begins or ends;
the tolerance grows with how far the curve departs from the straight line through the nearest two,
so that it follows the motion without a setting for it.
"""

from __future__ import annotations

from functools import lru_cache
from math import prod

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

REACH = 6
"""Samples to the nearest neighbour beyond which nothing is said."""
BEND = 0.5
"""Share of the departure from a straight line by which a cubic may be wrong."""
OPEN = 0.2
"""The same for a parabola that is drawn beyond its samples. The true share is larger where a fold
passes, but a stray point at the end of a run has nothing else against it."""


@lru_cache(maxsize=1 << 14)
def _weights(time: tuple[int, ...]) -> Array:
    """Lagrange's weights of samples at `time` (n,) for the polynomial's value at 0."""
    return np.array(
        [
            prod(-other / (own - other) for j, other in enumerate(time) if j != k)
            for k, own in enumerate(time)
        ]
    )


def _support(seen: Whole, at: int, skip: bool, ends: bool) -> tuple[list[int], float]:
    """Samples (indices) that say where a marker is, the two nearest last, and the share of bend."""
    low = int(np.searchsorted(seen, at))
    high = low + int(skip and low < seen.size and seen[low] == at)
    before = low >= 2 and at - seen[low - 1] <= REACH
    after = high + 2 <= seen.size and seen[high] - at <= REACH
    if before and after and seen[high + 1] - seen[low - 2] <= 4 * REACH:
        return [low - 2, high + 1, low - 1, high], BEND
    if ends and low >= 3 and at - seen[low - 3] <= 2 * REACH:
        return [low - 3, low - 2, low - 1], OPEN
    if ends and high + 3 <= seen.size and seen[high + 2] - at <= 2 * REACH:
        return [high + 2, high + 1, high], OPEN
    return [], np.nan


def expected(
    seen: Whole, place: Array, at: int, sd: float, *, skip: bool = False, ends: bool = False
) -> tuple[Array, float]:
    """Place (3,) [m] of a marker at sample `at`, and the distance [m] allowed from it.

    seen : (n,) samples, increasing; place : (n, 3) [m]; skip : leave sample `at` itself out.
    ends : also go by three samples on one side. Both are nan where there are too few samples.
    """
    which, bend = _support(seen, at, skip, ends)
    if not which:
        return np.full(3, np.nan), np.nan
    time = tuple((seen[which] - at).tolist())
    weight = _weights(time)
    curve = weight @ place[which]
    straight = _weights(time[-2:]) @ place[which[-2:]]
    noise = sd * float(np.sqrt(1.0 + np.sum(weight**2)))
    # 6: of three coordinates together, one in 10 000 goes beyond 4.6 sd.
    return curve, 6.0 * noise + bend * float(np.linalg.norm(curve - straight))


def _by_label(sample: Whole, label: Whole) -> list[Whole]:
    """Points of each label in order of time."""
    own = [np.flatnonzero(label == k) for k in np.unique(label[label >= 0])]
    return [points[np.argsort(sample[points], kind="stable")] for points in own]


def jumps(sample: Whole, position: Array, label: Whole, sd: float) -> Mask:
    """(U,) labelled points that are not where their label's other samples put them, or that have
    no such samples near.

    The worst of a label goes first, as it spoils its neighbours' test.
    """
    out = np.zeros(label.size, dtype=bool)
    for own in _by_label(sample, label):
        excess = np.array([_excess(sample, position, own, j, sd) for j in range(own.size)])
        while excess.size and excess.max() > 1.0:
            worst = int(excess.argmax())
            out[own[worst]] = True
            own, excess = np.delete(own, worst), np.delete(excess, worst)
            for j in range(max(0, worst - 4), min(own.size, worst + 4)):
                excess[j] = _excess(sample, position, own, j, sd)
    return out


def _excess(sample: Whole, position: Array, own: Whole, j: int, sd: float) -> float:
    """Distance of a label's j-th point from where the others put it, over what is allowed."""
    seen, at = sample[own], int(sample[own[j]])
    place, allowed = expected(seen, position[own], at, sd, skip=True, ends=True)
    away = float(np.linalg.norm(position[own[j]] - place))
    return away / allowed if np.isfinite(away) else np.inf


def fill(sample: Whole, position: Array, label: Whole, sd: float) -> Whole:
    """Labels for points without one that stand alone where a label without a point must be."""
    label = label.copy()
    order = np.argsort(sample, kind="stable")
    times = sample[order]
    found: list[tuple[int, int]] = []
    for own in _by_label(sample, label):
        seen, place = sample[own], position[own]
        for at in np.setdiff1d(np.arange(seen[0], seen[-1] + 1), seen):
            target, allowed = expected(seen, place, int(at), sd)
            if not np.isfinite(allowed):
                continue
            here = order[np.searchsorted(times, at) : np.searchsorted(times, at, side="right")]
            away = np.linalg.norm(position[here] - target, axis=1)
            near = here[away < 3.0 * allowed]
            if near.size == 1 and label[near[0]] < 0 and away.min() < allowed:
                found.append((int(near[0]), int(label[own[0]])))
    points = [p for p, _ in found]
    for p, k in found:
        if points.count(p) == 1:
            label[p] = k
    return label
