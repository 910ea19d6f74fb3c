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


def torn(
    sample: Whole, position: Array, label: Whole, weight: Array, step: float, slack: float
) -> NDArray[np.bool_]:
    """(U,) labelled points on the lighter side of a leap that no marker makes.

    Two samples of a label up to `REACH` apart leap where the speed between them is over twice the
    greatest within three samples on either side, plus `slack` [m/s]. `weight` (U,) says whose
    label is better founded; a side is the run of points up to the label's next leap.
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        gap = np.diff(sample[own])
        speed = np.linalg.norm(np.diff(position[own], axis=0), axis=1) / (gap * step)
        usual = np.array(
            [
                max((*speed[max(0, j - 3) : j], *speed[j + 1 : j + 4]), default=0.0)
                for j in range(speed.size)
            ]
        )
        leaps = np.flatnonzero((gap <= REACH) & (speed > 2.0 * usual + slack))
        sides = np.split(own, leaps + 1)
        while len(sides) > 1:
            total = [float(weight[side].sum()) for side in sides]
            light = int(np.argmin(total))
            out[sides.pop(light)] = True
            # Taking a run out may close the leaps on both sides of it; the rest is kept as it is
            # only where what then meets does not leap.
            sides = _rejoined(sides, sample, position, step, 2.0 * float(usual.max()) + slack)
    return out


def _rejoined(
    sides: list[Whole], sample: Whole, position: Array, step: float, limit: float
) -> list[Whole]:
    """Runs, joined where one goes on from the other at no more than `limit` [m/s]."""
    joined = [sides[0]]
    for side in sides[1:]:
        a, b = joined[-1][-1], side[0]
        gap = int(sample[b] - sample[a])
        speed = float(np.linalg.norm(position[b] - position[a])) / (gap * step)
        if gap > REACH or speed <= limit:
            joined[-1] = np.concatenate([joined[-1], side])
        else:
            joined.append(side)
    return joined
