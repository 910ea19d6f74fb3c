"""Whether a label stays with one marker: leaps that no marker makes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from lashwave.points.continuity import expected

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]


AROUND = 5
"""Steps before and after a step that say what speed is usual there."""


@dataclass(frozen=True)
class LeapRule:
    """What passes for a leap from one sample of a label to its next."""

    speed: float = 5.0
    """[m/s] over twice the greatest speed of the steps around."""
    reach: int = 60
    """Samples apart up to which speed is judged."""


def torn(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    step: float,
    rule: LeapRule = LeapRule(),
) -> Mask:
    """(U,) labelled points of tracks that a leap parts from the rest of their label.

    Of the two tracks (U,) that meet at a leap the one goes whose points times lead (U,) are fewer,
    until no leap is left.
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        while own.size > 1:
            leaps = _leaps(sample[own], position[own], step, rule)
            if not leaps.size:
                break
            weight = np.bincount(track[own], 1.0 + lead[own])
            ends = track[own[[leaps, leaps + 1]]]
            light = ends.ravel()[weight[ends].argmin()]
            gone = track[own] == light
            out[own[gone]] = True
            own = own[~gone]
    return out


def _leaps(seen: Whole, place: Array, step: float, rule: LeapRule) -> Whole:
    """Indices j such that a label's sample j + 1 does not follow from its sample j."""
    gap = np.diff(seen)
    speed = np.linalg.norm(np.diff(place, axis=0), axis=1) / (gap * step)
    padded = np.concatenate([np.zeros(AROUND), speed, np.zeros(AROUND)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    usual = np.delete(windows, AROUND, axis=1).max(axis=1)
    return np.flatnonzero((gap <= rule.reach) & (speed > 2.0 * usual + rule.speed))


def handed_over(sample: Whole, position: Array, label: Whole, track: Whole, sd: float) -> Mask:
    """(U,) labelled points of tracks on which a label is handed to another with no break in the
    motion: one of the two is wrong, and the one that fewer points of the track (U,) carry goes.

    Tracks are those before any cut; sd is of one coordinate [m].
    """
    out = np.zeros(label.size, dtype=bool)
    order = np.lexsort((sample, track))
    for own in np.split(order, np.flatnonzero(np.diff(track[order])) + 1):
        own = own[label[own] >= 0]
        turns = np.flatnonzero(np.diff(label[own])) + 1
        count = np.bincount(label[own]) if own.size else np.empty(0)
        for turn in turns:
            before, after = own[max(turn - 3, 0) : turn], own[turn]
            target, allowed = expected(
                sample[before], position[before], int(sample[after]), sd, ends=True
            )
            if np.linalg.norm(position[after] - target) < allowed:
                pair = label[own[[turn - 1, turn]]]
                out[own[label[own] == pair[count[pair].argmin()]]] = True
    return out


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
