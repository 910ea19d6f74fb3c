"""Whether a label stays with one marker: no leaps, no exchange, distances on the grip kept."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from lashwave.labels.continuity import expected, led_to
from lashwave.labels.label_settings import (
    LABELS,
    LabelSettings,
)
from lashwave.quantities import Array, Mask, Whole


def leapt_off(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    step: float,
    settings: LabelSettings = LABELS,
) -> Mask:
    """(U,) labelled points of tracks that a leap parts from the rest of their label.

    Of the two tracks that meet at a leap the one goes whose points times lead are fewer, until no
    leap is left.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m]; label : (U,), -1 for none.
    track, lead : (U,) tracks, and leads of the labels; step : from sample to sample [s].
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        while own.size > 1:
            leaps = _leaps(sample[own], position[own], step, settings)
            if not leaps.size:
                break
            weight = np.bincount(track[own], 1.0 + lead[own])
            ends = track[own[[leaps, leaps + 1]]]
            light = ends.ravel()[weight[ends].argmin()]
            gone = track[own] == light
            out[own[gone]] = True
            own = own[~gone]
    return out


def _leaps(seen: Whole, place: Array, step: float, settings: LabelSettings) -> Whole:
    """Indices j such that a label's sample j + 1 does not follow from its sample j."""
    gap = np.diff(seen)
    speed = np.linalg.norm(np.diff(place, axis=0), axis=1) / (gap * step)
    padded = np.concatenate([np.zeros(settings.leap_around), speed, np.zeros(settings.leap_around)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * settings.leap_around + 1)
    usual = np.delete(windows, settings.leap_around, axis=1).max(axis=1)
    return np.flatnonzero(
        (gap <= settings.leap_reach) & (speed > 2.0 * usual + settings.leap_speed)
    )


def handed_over(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    sd: float,
    settings: LabelSettings = LABELS,
) -> Mask:
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
                sample[before],
                position[before],
                int(sample[after]),
                sd,
                ends=True,
                settings=settings,
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


def disputed(
    sample: Whole,
    position: Array,
    label: Whole,
    strand: Whole,
    sd: float,
    settings: LabelSettings = LABELS,
) -> Mask:
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
            (own, k)
            for own, k in _claims(sample, position, kin, strand, sd, settings)
            if not out[own].any()
        ]
        if not claims:
            return out & (label >= 0)
        for own, k in claims:
            out[own] = True
            kin[own] = k


def _claims(
    sample: Whole, position: Array, label: Whole, strand: Whole, sd: float, settings: LabelSettings
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
                if _heads_for(
                    time[rest], position[rest], int(time[first]), position[first], sd, settings
                ):
                    continue
                for j, theirs in own.items():
                    others = theirs[strand[theirs] != s]
                    seen, at = time[others], int(time[first])
                    if j == k or np.isin(np.arange(at, at + settings.lost_away), seen).any():
                        continue
                    if _heads_for(seen, position[others], at, position[first], sd, settings):
                        other = others[strand[others] == strand[others[_last(seen, at)]]]
                        found.append((mine, j) if mine.size <= other.size else (other, k))
    return found


def _last(seen: Whole, at: int) -> int:
    """Index of the last sample before `at`."""
    return int(np.searchsorted(seen, at)) - 1


def _heads_for(
    seen: Whole, place: Array, at: int, there: Array, sd: float, settings: LabelSettings
) -> bool:
    """Whether samples before `at` lead to the place `there` (3,) at that sample."""
    for most in (16, 8):  # more reach farther, fewer follow a turn
        where, allowed = led_to(seen, place, at, sd, most, settings=settings)
        if allowed < settings.lost_vague and np.linalg.norm(there - where) < allowed:
            return True
    return False


def off_rigid_distance(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    rigid: Whole,
    sd: float,
    settings: LabelSettings = LABELS,
) -> Mask:
    """(U,) points on the rigid grip that keep another distance than their labels do.

    The median of a track is judged to some 5 of its own sd against that of the record: a marker
    off the axis may stand as far from another within what stations are worth.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m]; label : (U,), -1 for none.
    track : (U,); rigid : (R,) labels on the grip; sd : of one coordinate [m].
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
            far = middle > 6.0 * np.sqrt(2.0 / count) * sd + settings.grip_fixed
            wrong.append(np.where(far[back], count[back], 0))
        # Of two tracks that are too near or too far together the shorter goes.
        low, high = wrong
        out[one[(low > 0) & ((high == 0) | (low <= high))]] = True
        out[two[(high > 0) & ((low == 0) | (high < low))]] = True
    return out


def off_grip_distance(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    rigid: Whole,
    sd: float,
    settings: LabelSettings = LABELS,
) -> Mask:
    """(U,) points with a label on the rigid grip whose distance from an unlabelled marker is off.

    Two markers may stand as far from a third, so that `off_rigid_distance` cannot part them. What
    else moves with the grip, such as markers on its handle, is known by its distance from one
    rigid label, and each of the others must keep its own distance from it.

    Parameters
    ----------
    sample, position, label, track, rigid, sd : as for `off_rigid_distance`, in [m].
    """
    out = np.zeros(label.size, dtype=bool)
    for r in rigid.tolist():
        for fellow in _fellows(sample, position, label, track, r, sd, settings):
            for k in rigid[rigid != r].tolist():
                own = np.flatnonzero(label == k)
                _, a, b = np.intersect1d(sample[own], sample[fellow], return_indices=True)
                if a.size < settings.grip_together:
                    continue
                off = np.linalg.norm(position[own[a]] - position[fellow[b]], axis=1)
                out[own] |= np.isin(
                    track[own], _far(off - np.median(off), track[own[a]], sd, settings)
                )
    return out


def _far(off: Array, track: Whole, sd: float, settings: LabelSettings) -> Whole:
    """Tracks whose median is off by more than their noise and `APART`."""
    each, back, count = np.unique(track, return_inverse=True, return_counts=True)
    middle = np.array([abs(np.median(off[back == k])) for k in range(each.size)])
    return each[
        (count >= settings.grip_together)
        & (middle > 6.0 * np.sqrt(2.0 / count) * sd + settings.grip_apart)
    ]


def _fellows(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    rigid: int,
    sd: float,
    settings: LabelSettings,
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
        if own.size >= settings.grip_together and away[own].std() < 1.5 * np.sqrt(2.0) * sd:
            kept.append((float(np.median(away[own])), own))
    kept.sort(key=lambda pair: pair[0])
    turns = [k for k in range(1, len(kept)) if kept[k][0] - kept[k - 1][0] > settings.grip_apart]
    bounds = [0, *turns, len(kept)]
    groups = [
        np.concatenate([own for _, own in kept[one:two]])
        for one, two in zip(bounds, bounds[1:], strict=False)
        if two > one
    ]
    return [g for g in groups if np.unique(sample[g]).size == g.size]
