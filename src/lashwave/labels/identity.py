"""Whether a label stays with one marker: leaps that no marker makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.labels.continuity import expected, led_to
from lashwave.quantities.arrays import Array, Mask, Whole

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


def elsewhere(sample: Whole, label: Whole, strand: Whole) -> Mask:
    """(U,) labelled points of strands (U,) that are seen together with another strand of their
    label, with or without it: one marker is not in two places. The strand of fewer such labels
    goes."""
    out = np.zeros(label.size, dtype=bool)
    order = np.argsort(strand, kind="stable")
    members = np.split(order, np.flatnonzero(np.diff(strand[order])) + 1)
    whole = {int(strand[own[0]]): own for own in members}
    for k in np.unique(label[label >= 0]).tolist():
        carriers, count = np.unique(strand[label == k], return_counts=True)
        there = np.zeros(int(sample.max()) + 1, dtype=bool)
        for s in carriers[np.argsort(-count, kind="stable")].tolist():
            own = whole[s]
            if there[sample[own]].any():
                out[own[label[own] == k]] = True
            else:
                there[sample[own]] = True
    return out


AWAY = 3
"""Samples for which a label must be without a point for another's strand to be its continuation."""
VAGUE = 30e-3
"""[m] from where a label's motion leads beyond which nothing is said: strays and others abound."""


def disputed(sample: Whole, position: Array, label: Whole, strand: Whole, sd: float) -> Mask:
    """(U,) labelled points of strands (U,) that begin where another label ends, by its motion, or
    end where another begins, and do not go on from their own label.

    A marker that is lost for some samples is found again where it was going. The two strands are
    that marker, and the label of the one with fewer such points goes; what it leads to is disputed
    in turn. sd is of one coordinate [m].
    """
    kin = label.copy()
    out = np.zeros(label.size, dtype=bool)
    while True:
        claims = [
            (own, k) for own, k in _claims(sample, position, kin, strand, sd) if not out[own].any()
        ]
        if not claims:
            return out & (label >= 0)
        for own, k in claims:
            out[own] = True
            kin[own] = k


def _claims(
    sample: Whole, position: Array, label: Whole, strand: Whole, sd: float
) -> list[tuple[Whole, int]]:
    """Points of a strand with one label that are another's marker, and that label."""
    found: list[tuple[Whole, int]] = []
    for way in (1, -1):
        time = way * sample
        order = np.lexsort((time, label))
        order = order[label[order] >= 0]
        runs = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
        own = {int(label[p[0]]): p for p in runs if p.size}
        for k, points in own.items():
            for s in np.unique(strand[points]):
                mine = points[strand[points] == s]
                whole = np.flatnonzero(strand == s)
                first = int(whole[time[whole].argmin()])
                rest = points[strand[points] != s]
                if _heads_for(time[rest], position[rest], int(time[first]), position[first], sd):
                    continue
                for j, theirs in own.items():
                    others = theirs[strand[theirs] != s]
                    seen, at = time[others], int(time[first])
                    if j == k or np.isin(np.arange(at, at + AWAY), seen).any():
                        continue
                    if _heads_for(seen, position[others], at, position[first], sd):
                        other = others[strand[others] == strand[others[_last(seen, at)]]]
                        found.append((mine, j) if mine.size <= other.size else (other, k))
    return found


def _last(seen: Whole, at: int) -> int:
    """Index of the last sample before `at`."""
    return int(np.searchsorted(seen, at)) - 1


def _heads_for(seen: Whole, place: Array, at: int, there: Array, sd: float) -> bool:
    """Whether samples before `at` lead to the place `there` (3,) at that sample."""
    for most in (16, 8):  # more reach farther, fewer follow a turn
        where, allowed = led_to(seen, place, at, sd, most)
        if allowed < VAGUE and np.linalg.norm(there - where) < allowed:
            return True
    return False
