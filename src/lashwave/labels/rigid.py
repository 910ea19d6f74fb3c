"""Whether labels on the rigid grip keep to it: distances of its markers are the same throughout."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from lashwave.quantities.arrays import Array, Mask, Whole

SETTLED = 2e-4
"""[m] by which a distance on a rigid piece may differ for good: calibration, centres of balls."""


def bent(
    sample: Whole, position: Array, label: Whole, track: Whole, rigid: Whole, sd: float
) -> Mask:
    """(U,) points of tracks (U,) on a rigid piece that keep another distance than their labels do.

    The median of a track is judged to some 5 of its own sd against that of the record, for rigid
    (R,) labels: a marker off the axis may stand as far from another within what stations are worth.
    """
    out = np.zeros(label.size, dtype=bool)
    for i, j in combinations(rigid.tolist(), 2):
        one, two = np.flatnonzero(label == i), np.flatnonzero(label == j)
        _, a, b = np.intersect1d(sample[one], sample[two], return_indices=True)
        one, two = one[a], two[b]
        if one.size < 3:
            continue
        off = np.linalg.norm(position[one] - position[two], axis=1)
        off -= np.median(off)
        wrong = []
        for own in (one, two):
            _, back, count = np.unique(track[own], return_inverse=True, return_counts=True)
            # Medians, as a few samples of a track may stand beside a ghost.
            middle = np.array([abs(np.median(off[back == k])) for k in range(count.size)])
            far = middle > 6.0 * np.sqrt(2.0 / count) * sd + SETTLED
            wrong.append(np.where(far[back], count[back], 0))
        # Of two tracks that are too near or too far together the shorter goes.
        low, high = wrong
        out[one[(low > 0) & ((high == 0) | (low <= high))]] = True
        out[two[(high > 0) & ((low == 0) | (high < low))]] = True
    return out


LONG = 8
"""Samples together from which a distance is told to be the same."""
APART = 5e-4
"""[m] by which distances of two markers differ for these to be told apart."""


def misplaced(
    sample: Whole, position: Array, label: Whole, track: Whole, rigid: Whole, sd: float
) -> Mask:
    """(U,) points of tracks (U,) with a rigid label that keep another distance than the label does
    from a marker that has none.

    Two markers may stand as far from a third, so that `bent` cannot tell one from the other. What
    else moves with the grip, such as markers on its handle, is told apart by the distance from one
    rigid label (R,), and each of the others must keep its own distance from it.
    """
    out = np.zeros(label.size, dtype=bool)
    for r in rigid.tolist():
        for fellow in _fellows(sample, position, label, track, r, sd):
            for k in rigid[rigid != r].tolist():
                own = np.flatnonzero(label == k)
                _, a, b = np.intersect1d(sample[own], sample[fellow], return_indices=True)
                if a.size < LONG:
                    continue
                off = np.linalg.norm(position[own[a]] - position[fellow[b]], axis=1)
                out[own] |= np.isin(track[own], _far(off - np.median(off), track[own[a]], sd))
    return out


def _far(off: Array, track: Whole, sd: float) -> Whole:
    """Tracks whose median is off by more than their noise and `APART`."""
    each, back, count = np.unique(track, return_inverse=True, return_counts=True)
    middle = np.array([abs(np.median(off[back == k])) for k in range(each.size)])
    return each[(count >= LONG) & (middle > 6.0 * np.sqrt(2.0 / count) * sd + APART)]


def _fellows(
    sample: Whole, position: Array, label: Whole, track: Whole, rigid: int, sd: float
) -> list[Whole]:
    """Points of what has no label and keeps its distance from a rigid one: one array a distance,
    without those of which a sample has two."""
    place = np.full((int(sample.max(initial=-1)) + 1, 3), np.nan)
    has = label == rigid
    place[sample[has]] = position[has]
    away = np.linalg.norm(position - place[sample], axis=1)
    free = np.flatnonzero((label < 0) & np.isfinite(away))
    free = free[np.argsort(track[free], kind="stable")]
    kept = []
    for own in np.split(free, np.flatnonzero(np.diff(track[free])) + 1):
        if own.size >= LONG and away[own].std() < 1.5 * np.sqrt(2.0) * sd:
            kept.append((float(np.median(away[own])), own))
    kept.sort(key=lambda pair: pair[0])
    turns = [k for k in range(1, len(kept)) if kept[k][0] - kept[k - 1][0] > APART]
    bounds = [0, *turns, len(kept)]
    groups = [
        np.concatenate([own for _, own in kept[one:two]])
        for one, two in zip(bounds, bounds[1:], strict=False)
        if two > one
    ]
    return [g for g in groups if np.unique(sample[g]).size == g.size]
