"""Points joined over time: to tracks, and these to strands of one marker each.

Every track is a Kalman filter of constant acceleration, its jerk white noise (Bar-Shalom, Li and
Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, ch. 6). Points go to
tracks by least total cost (`scipy.optimize.linear_sum_assignment`), within a gate. A track whose
next point is uncertain is ended: two short tracks can be joined later by what they are, one wrong
track cannot.

A track is one marker while its steps are small against the room between points. It may take
another marker's point, or a ghost, where it was lost for some samples; and it ends where a point
was uncertain. Both are settled by the motion on both sides of a gap: it goes on where one
polynomial in time fits the samples before and after as well as noise lets it. What is then one
marker for certain, whatever its label, is a strand.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment
from scipy.special import chdtri

from lashwave.labels.label_settings import (
    LABELS,
    LINK,
    LabelSettings,
    LinkSettings,
)
from lashwave.quantities import Array, Whole


class Tracker:
    """Tracks at the latest sample. `step` takes the samples in order of time."""

    def __init__(self, settings: LinkSettings = LINK) -> None:
        self.settings = settings
        self.number = np.empty(0, np.int64)
        """(K,) of the live tracks."""
        self.mean = np.empty((0, 3, 3))
        """(K, 3, xyz): position, velocity, acceleration [m, s]."""
        self.spread = np.empty((0, 3, 3))
        """(K, 3, 3) covariance of position, velocity, acceleration; the same for x, y and z."""
        self._missed = np.empty(0, np.int64)
        self._fresh = np.empty(0, dtype=bool)
        self._next = 0

    def predict(self, step: float) -> tuple[Array, Array]:
        """Places (K, 3) [m] of the live tracks `step` [s] on, and variance (K,) [m2] of each."""
        move, noise = _motion(step, self.settings.jerk)
        spread = move @ self.spread @ move.T + noise
        return (move @ self.mean)[:, 0], spread[:, 0, 0]

    def step(self, step: float, points: Array, variance: Array) -> Whole:
        """Advance by `step` [s] and take in points (P, 3) [m] with variance (P,) [m2].

        Returns
        -------
        number : (P,) of the track that each point joins, or begins.
        """
        move, noise = _motion(step, self.settings.jerk)
        self.mean = move @ self.mean
        self.spread = move @ self.spread @ move.T + noise
        track, uncertain = self._assign(points, variance)
        self._missed += 1
        joined = np.flatnonzero(track >= 0)
        self._update(track[joined], points[joined], variance[joined])
        keep = (self._missed <= self.settings.coast) & ~uncertain
        number = np.full(len(points), -1, np.int64)
        number[joined] = self.number[track[joined]]
        self.number, self.mean = self.number[keep], self.mean[keep]
        self.spread, self._missed = self.spread[keep], self._missed[keep]
        self._fresh = self._fresh[keep]
        self._begin(number, points, variance)
        return number

    def _assign(self, points: Array, variance: Array) -> tuple[Whole, NDArray[np.bool_]]:
        """Track of each point (P,), -1 for none; and the tracks (K,) whose point is uncertain."""
        tracks, count = len(self.number), len(points)
        chosen, uncertain = np.full(count, -1, np.int64), np.zeros(tracks, dtype=bool)
        if not tracks or not count:
            return chosen, uncertain
        total = self.spread[:, 0, 0, None] + variance
        away = ((self.mean[:, None, 0] - points) ** 2).sum(-1) / total
        # 2 log likelihood in 3-D, so that a vague track does not win over a sharp one.
        cost = away + 3.0 * np.log(total / variance.min())
        cost[away > self.settings.gate] = np.inf
        none = self.settings.gate + 3.0 * np.log(total.max() / variance.min()) + 1.0
        padded = np.full((tracks, count + tracks), none)  # a dummy point each: never infeasible
        padded[:, :count] = np.where(np.isfinite(cost), cost, 1e6)
        rows, columns = linear_sum_assignment(padded)
        for k, p in zip(rows, columns, strict=True):
            if p >= count:
                continue
            if self._fresh[k]:
                step = np.linalg.norm(self.mean[k, 0] - points, axis=-1)
                rival = np.linalg.norm(self.mean[:, 0] - points[p], axis=-1)
                rest = np.append(np.delete(step, p), np.delete(rival, k))
                unsure = rest.min(initial=np.inf) * self.settings.ratio < step[p]
            else:
                rest = np.append(np.delete(cost[k], p), np.delete(cost[:, p], k))
                unsure = rest.min(initial=np.inf) - cost[k, p] < self.settings.margin
            if unsure:
                uncertain[k] = True
            else:
                chosen[p] = k
        return chosen, uncertain

    def _update(self, track: Whole, points: Array, variance: Array) -> None:
        gain = self.spread[track, :, 0] / (self.spread[track, 0, 0] + variance)[:, None]
        rest = points - self.mean[track, 0]
        self.mean[track] += gain[:, :, None] * rest[:, None]
        self.spread[track] -= gain[:, :, None] * self.spread[track, 0][:, None]
        self._missed[track] = 0
        self._fresh[track] = False

    def _begin(self, number: Whole, points: Array, variance: Array) -> None:
        new = np.flatnonzero(number < 0)
        number[new] = self._next + np.arange(new.size)
        self._next += new.size
        mean, spread = np.zeros((new.size, 3, 3)), np.zeros((new.size, 3, 3))
        mean[:, 0] = points[new]
        spread[:, 0, 0] = variance[new]
        spread[:, 1, 1], spread[:, 2, 2] = self.settings.speed**2, self.settings.acceleration**2
        self.number = np.concatenate([self.number, number[new]])
        self.mean = np.concatenate([self.mean, mean])
        self.spread = np.concatenate([self.spread, spread])
        self._missed = np.concatenate([self._missed, np.zeros(new.size, np.int64)])
        self._fresh = np.concatenate([self._fresh, np.ones(new.size, dtype=bool)])


def _motion(step: float, jerk: float) -> tuple[Array, Array]:
    """Transition (3, 3) of position, velocity, acceleration, and the noise a step of it adds.

    The jerk is constant within a step and drawn anew at the next.
    """
    move = np.array([[1.0, step, 0.5 * step**2], [0.0, 1.0, step], [0.0, 0.0, 1.0]])
    kick = jerk * np.array([step**3 / 6.0, step**2 / 2.0, step])
    return move, np.outer(kick, kick)


def linked(
    sample: ArrayLike,
    position: ArrayLike,
    sd: ArrayLike,
    step: float,
    settings: LinkSettings = LINK,
) -> Whole:
    """Tracks of points that have no label.

    Parameters
    ----------
    sample : (U,) number of the sample each point belongs to, in any order; position : (U, 3) [m].
    sd : (U,) or one, of one coordinate [m]; step : from sample to sample [s].

    Returns
    -------
    track : (U,) number of each point's track, from 0; a track has one point a sample at most.
    """
    sample = np.asarray(sample, dtype=np.int64)
    position = np.asarray(position, dtype=float)
    variance = np.broadcast_to(np.asarray(sd, dtype=float) ** 2, sample.shape)
    tracker, track = Tracker(settings), np.full(sample.shape, -1, np.int64)
    last = None
    for now in np.unique(sample):
        here = np.flatnonzero(sample == now)
        for _ in range(0 if last is None else min(int(now - last) - 1, settings.coast + 1)):
            tracker.step(step, np.empty((0, 3)), np.empty(0))
        track[here] = tracker.step(step, position[here], variance[here])
        last = now
    return track


@lru_cache(maxsize=1 << 14)
def _residuals(time: tuple[int, ...], degree: int) -> Array:
    """(n, n) projection of samples at `time` (n,) on what no polynomial of the degree explains."""
    at = np.asarray(time, dtype=float)
    basis = np.vander((at - at.mean()) / max(float(np.ptp(at)), 1.0), degree + 1)
    orthogonal, _ = np.linalg.qr(basis)
    return np.asarray(np.eye(at.size) - orthogonal @ orthogonal.T)


@lru_cache(maxsize=64)
def _most(freedom: int, sure: float) -> float:
    return float(chdtri(freedom, 1.0 - sure))


def goes_on(
    before: Whole,
    there: Array,
    after: Whole,
    then: Array,
    sd: float,
    sides: tuple[int, ...] | None = None,
    settings: LabelSettings = LABELS,
) -> bool:
    """Whether one marker's samples end before a gap and go on after it.

    False where there are too few samples to say, or the gap is too long for a step of
    `settings.gap_step` at it to be seen.

    Parameters
    ----------
    before : (n,) samples, there : (n, 3) [m] their places.
    after : (m,) samples, then : (m, 3) [m] their places.
    sd : of one coordinate [m].
    sides : samples on each side that are compared; `gap_firm` and `gap_quick` by default.
    """
    for side in (settings.gap_firm, settings.gap_quick) if sides is None else sides:
        one = before >= before[-1] - settings.gap_window * side
        one[:-side] = False
        two = after <= after[0] + settings.gap_window * side
        two[side:] = False
        if one.sum() < settings.gap_fewest or two.sum() < settings.gap_fewest:
            return False
        seen = np.concatenate([before[one], after[two]])
        place = np.concatenate([there[one], then[two]])
        degree = min(settings.gap_degree, seen.size // 2 - 1)
        rest = _residuals(tuple((seen - seen[0]).tolist()), degree)
        most = _most(3 * (seen.size - degree - 1), settings.gap_sure) * sd**2
        step = settings.gap_step * (seen >= after[0])
        if step @ rest @ step > 2.0 * most and float(((rest @ place) ** 2).sum()) < most:
            return True
    return False


def strands_of(
    sample: Whole, position: Array, track: Whole, sd: float, settings: LabelSettings = LABELS
) -> Whole:
    """Tracks (U,) parted where a gap leaves it open whether the same marker goes on, and joined
    where it surely does: new numbers. sample : (U,); position : (U, 3) [m]; sd : [m]."""
    order = np.lexsort((sample, track))
    pieces: list[Whole] = []
    for own in np.split(order, np.flatnonzero(np.diff(track[order])) + 1):
        gaps = np.flatnonzero(np.diff(sample[own]) > 1) + 1
        parts = [g for g in gaps if not _firm(sample[own], position[own], int(g), sd, settings)]
        pieces += np.split(own, parts)
    out = np.empty(track.size, np.int64)
    for number, members in enumerate(_joined(sample, position, pieces, sd, settings)):
        out[members] = number
    return out


def _firm(seen: Whole, place: Array, at: int, sd: float, settings: LabelSettings) -> bool:
    return goes_on(
        seen[:at], place[:at], seen[at:], place[at:], sd, (settings.gap_firm,), settings=settings
    )


def _joined(
    sample: Whole, position: Array, pieces: list[Whole], sd: float, settings: LabelSettings
) -> list[Whole]:
    """Pieces put together where one goes on as the other, and neither might go on otherwise."""
    long = [p for p in pieces if p.size >= settings.gap_fewest]
    first = np.array([sample[p[0]] for p in long])
    begin = np.array([position[p[0]] for p in long]).reshape(-1, 3)
    after: dict[int, list[int]] = {}
    ahead: dict[int, list[int]] = {}
    for k, own in enumerate(long):
        last, pace = sample[own[-1]], position[own[-1]] - position[own[-2]]
        pace = pace / (last - sample[own[-2]])
        soon = np.flatnonzero((first > last) & (first <= last + settings.gap_longest + 1))
        ahead_of = position[own[-1]] + (first[soon] - last)[:, None] * pace
        near = np.linalg.norm(begin[soon] - ahead_of, axis=1) < settings.gap_room
        for j in soon[near].tolist():
            other = long[j]
            if goes_on(
                sample[own], position[own], sample[other], position[other], sd, settings=settings
            ):
                after.setdefault(k, []).append(j)
                ahead.setdefault(j, []).append(k)
    follows = {k: j[0] for k, j in after.items() if len(j) == 1 and len(ahead[j[0]]) == 1}
    begun = set(range(len(long))) - set(follows.values())
    out = [p for p in pieces if p.size < settings.gap_fewest]
    for k in sorted(begun):
        chain = [long[k]]
        while k in follows:
            k = follows[k]
            chain.append(long[k])
        out.append(np.concatenate(chain))
    return out
