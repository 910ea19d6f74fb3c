"""Labels carried on from sample to sample, forwards and backwards, past where tracks break.

Where a marker is known, its motion says where it is next (a Kalman filter of constant
acceleration, its jerk white noise: Bar-Shalom, Li and Kirubarajan, Estimation with Applications to
Tracking and Navigation, 2001, ch. 6). The jerk allowed grows with the speed of the line around,
so that a fold may pass. That place, the chords to the nearest markers known in the sample, and
rival points and labels decide; the surest goes first and helps the rest. Where the two directions
say different things, neither counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.labels.label_settings import (
    CARRY,
    CHAIN,
    CarrySettings,
    ChainSettings,
)
from lashwave.labels.station_costs import chord_cost
from lashwave.quantities import Array, Whole


@dataclass
class _Filter:
    """What is known of L markers at the latest sample."""

    mean: Array
    """(L, 3, xyz): position, velocity, acceleration."""
    spread: Array
    """(L, 3, 3) of them, the same for x, y and z."""
    missed: Whole
    """(L,) samples since the last point; large where nothing is known."""

    def advance(self, step: float, settings: CarrySettings) -> None:
        """One sample on."""
        known = self.missed <= settings.coast
        pace = np.where(known, np.linalg.norm(self.mean[:, 1], axis=1), 0.0)
        padded = np.pad(pace, 2)
        around = np.max([padded[k : k + pace.size] for k in range(5)], axis=0)
        jerk = settings.jerk + settings.turn * around / step**2
        move = np.array([[1.0, step, 0.5 * step**2], [0.0, 1.0, step], [0.0, 0.0, 1.0]])
        kick = np.array([step**3 / 6.0, step**2 / 2.0, step])
        self.mean = move @ self.mean
        self.spread = move @ self.spread @ move.T + jerk[:, None, None] ** 2 * np.outer(kick, kick)
        self.missed = self.missed + 1

    def take(self, label: int, place: Array, variance: float, settings: CarrySettings) -> None:
        """A marker's point (3,)."""
        if self.missed[label] > settings.coast:
            self.mean[label] = 0.0
            self.mean[label, 0] = place
            self.spread[label] = np.diag([variance, settings.speed**2, settings.acceleration**2])
        else:
            gain = self.spread[label][:, 0] / (self.spread[label][0, 0] + variance)
            self.mean[label] += gain[:, None] * (place - self.mean[label, 0])
            self.spread[label] -= np.outer(gain, self.spread[label][0])
        self.missed[label] = 0


def carried_on(
    sample: Whole,
    position: Array,
    label: Whole,
    station: Array,
    pairs: Array,
    sd: float,
    step: float,
    settings: CarrySettings = CARRY,
    chain: ChainSettings = CHAIN,
) -> Whole:
    """Labels (U,) with those added that both directions of time, or one alone, carry on.

    Parameters
    ----------
    sample : (U,) of the points; position : (U, 3) [m]; label : (U,) so far, -1 for none.
    station : (L,) [m]; pairs : (L, L) sd of chord and arc [m]; sd : of one coordinate [m].
    step : from sample to sample [s].
    """
    ways = [
        _one_way(sample * way, position, label, station, pairs, sd, step, settings, chain)
        for way in (1, -1)
    ]
    one, two = ways
    new = np.where(one < 0, two, one)
    new[(one >= 0) & (two >= 0) & (one != two)] = -1
    return _single(sample, label, new)


def _single(sample: Whole, label: Whole, new: Whole) -> Whole:
    """The labels with the new ones of points that have none; a label that two points of a sample
    would carry goes to neither of the new ones."""
    whole = np.where(label >= 0, label, new)
    key = np.where(whole >= 0, sample * (whole.max(initial=0) + 1) + whole, -1)
    value, count = np.unique(key, return_counts=True)
    twice = np.isin(key, value[(count > 1) & (value >= 0)])
    return np.where(twice & (label < 0), -1, whole)


def _one_way(
    sample: Whole,
    position: Array,
    label: Whole,
    station: Array,
    pairs: Array,
    sd: float,
    step: float,
    settings: CarrySettings,
    chain: ChainSettings,
) -> Whole:
    """Labels (U,) carried on in order of sample; -1 for points that get none, or had one."""
    count = station.size
    known = _Filter(
        np.zeros((count, 3, 3)),
        np.zeros((count, 3, 3)),
        np.full(count, settings.coast + 1, np.int64),
    )
    found = np.full(label.size, -1, np.int64)
    order = np.argsort(sample, kind="stable")
    times, starts = np.unique(sample[order], return_index=True)
    last = times[0] - 1
    for now, points in zip(times, np.split(order, starts[1:]), strict=True):
        for _ in range(min(int(now - last), settings.coast + 2)):
            known.advance(step, settings)
        last = now
        fixed = {int(label[p]): int(p) for p in points if label[p] >= 0}
        free = points[label[points] < 0]
        for k, p in fixed.items():
            known.take(k, position[p], sd**2, settings)
        while free.size:
            pick = _surest(known, fixed, free, position, station, pairs, sd, settings, chain)
            if pick is None:
                break
            k, j = pick
            p = int(free[j])
            found[p], fixed[k] = k, p
            known.take(k, position[p], sd**2, settings)
            free = np.delete(free, j)
    return found


def _surest(
    known: _Filter,
    fixed: dict[int, int],
    free: Whole,
    position: Array,
    station: Array,
    pairs: Array,
    sd: float,
    settings: CarrySettings,
    chain: ChainSettings,
) -> tuple[int, int] | None:
    """The label and the index of the free point that go together most surely; None for none."""
    open_ = np.array([k for k in range(station.size) if k not in fixed], dtype=np.int64)
    if not open_.size:
        return None
    place = position[free]
    variance = np.where(
        known.missed[open_] <= settings.coast, known.spread[open_, 0, 0] + sd**2, np.inf
    )
    away = ((place - known.mean[open_, None, 0]) ** 2).sum(-1) / variance[:, None]
    if not (away[np.isfinite(variance)] < settings.gate).any():
        return None
    vague = np.minimum(variance, settings.vague**2)
    cost = 0.5 * away + 1.5 * np.log(vague / settings.vague**2)[:, None]
    taken = np.array(sorted(fixed), dtype=np.int64)
    for near in _neighbours(open_, taken):
        has = near >= 0
        other = position[[fixed[int(k)] for k in near[has]]].reshape(-1, 3)
        distance = np.linalg.norm(place[None] - other[:, None], axis=-1)
        arc = np.abs(station[open_[has]] - station[near[has]])[:, None]
        cost[has] += chord_cost(distance, arc, pairs[open_[has], near[has]][:, None], chain)
    good = (away < settings.gate) & np.isfinite(variance)[:, None]
    row, column = _lead(cost, axis=1), _lead(cost, axis=0)
    lead = np.minimum(np.minimum(row, column), -cost)
    lead[~good] = -np.inf
    k, j = np.unravel_index(int(lead.argmax()), lead.shape)
    return (int(open_[k]), int(j)) if lead[k, j] > settings.margin else None


def _neighbours(labels: Whole, taken: Whole) -> tuple[Whole, Whole]:
    """For each label the nearest of the taken ones before and after it; -1 for none."""
    if not taken.size:
        none = np.full(labels.size, -1, np.int64)
        return none, none
    at = np.searchsorted(taken, labels)
    before = np.where(at > 0, taken[np.maximum(at - 1, 0)], -1)
    after = np.where(at < taken.size, taken[np.minimum(at, taken.size - 1)], -1)
    return before, after


def _lead(cost: Array, axis: int) -> Array:
    """By how much each entry is less than the least of the others along an axis."""
    if cost.shape[axis] == 1:
        return np.full(cost.shape, np.inf)
    ranked = np.sort(cost, axis=axis)
    first, second = np.take(ranked, [0], axis=axis), np.take(ranked, [1], axis=axis)
    return np.asarray(np.where(cost == first, second, first) - cost)
