"""Where a marker is between its other samples, and how far from there it may be.

A cubic through two samples on either side; the tolerance grows with how far the cubic departs from
the straight line between the nearest two, so that it follows the motion without a setting for it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

REACH = 6
"""Samples to the nearest neighbour beyond which nothing is said."""
BEND = 0.5
"""Share of the departure from a straight line by which a cubic may be wrong."""


def expected(seen: Whole, place: Array, at: int, skip: bool, sd: float) -> tuple[Array, float]:
    """Place (3,) [m] of a marker at sample `at`, and the distance [m] allowed from it.

    seen : (n,) samples, increasing; place : (n, 3) [m]; skip : leave sample `at` itself out.
    The place is nan where there are not two samples on either side, the nearer within `REACH`.
    """
    low = int(np.searchsorted(seen, at))
    high = low + int(skip and low < seen.size and seen[low] == at)
    nothing = np.full(3, np.nan), np.nan
    if low < 2 or high + 2 > seen.size:
        return nothing
    if at - seen[low - 1] > REACH or seen[high] - at > REACH:
        return nothing
    which = [low - 2, low - 1, high, high + 1]
    time = seen[which].astype(float)
    if time[3] - time[0] > 4 * REACH:
        return nothing
    weight = [
        np.prod([(at - time[j]) / (time[k] - time[j]) for j in range(4) if j != k])
        for k in range(4)
    ]
    share = (at - time[1]) / (time[2] - time[1])
    straight = (1.0 - share) * place[which[1]] + share * place[which[2]]
    cubic = np.asarray(weight) @ place[which]
    noise = sd * float(np.sqrt(1.0 + np.sum(np.square(weight))))
    # 6: of three coordinates together, one in 10 000 goes beyond 4.6 sd.
    return cubic, 6.0 * noise + BEND * float(np.linalg.norm(cubic - straight))


def jumps(sample: Whole, position: Array, label: Whole, sd: float) -> NDArray[np.bool_]:
    """(U,) labelled points that are not where their label's other samples put them.

    The worst of a label goes first, as it spoils its neighbours' test.
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        excess = np.array([_excess(sample, position, own, j, sd) for j in range(own.size)])
        while excess.size and excess.max() > 1.0:
            worst = int(excess.argmax())
            out[own[worst]] = True
            own, excess = np.delete(own, worst), np.delete(excess, worst)
            for j in range(max(0, worst - 3), min(own.size, worst + 3)):
                excess[j] = _excess(sample, position, own, j, sd)
    return out


def _excess(sample: Whole, position: Array, own: Whole, j: int, sd: float) -> float:
    """Distance of a label's j-th point from where the others put it, over what is allowed."""
    place, allowed = expected(sample[own], position[own], int(sample[own[j]]), True, sd)
    away = float(np.linalg.norm(position[own[j]] - place))
    return away / allowed if np.isfinite(away) else 0.0


def fill(sample: Whole, position: Array, label: Whole, sd: float) -> Whole:
    """Labels for points without one that stand alone where a label without a point must be."""
    label = label.copy()
    order = np.argsort(sample, kind="stable")
    times = sample[order]
    found: list[tuple[int, int]] = []
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        seen, place = sample[own], position[own]
        gaps = np.setdiff1d(np.arange(seen[0], seen[-1] + 1), seen)
        for at in gaps:
            target, allowed = expected(seen, place, int(at), False, sd)
            if not np.isfinite(allowed):
                continue
            here = order[np.searchsorted(times, at) : np.searchsorted(times, at, side="right")]
            away = np.linalg.norm(position[here] - target, axis=1)
            near = here[away < 3.0 * allowed]
            if near.size == 1 and label[near[0]] < 0 and away.min() < allowed:
                found.append((int(near[0]), int(k)))
    points = [p for p, _ in found]
    for p, k in found:
        if points.count(p) == 1:
            label[p] = k
    return label
