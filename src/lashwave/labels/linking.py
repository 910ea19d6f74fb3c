"""Points joined over time to tracks, each sample predicted from the ones before it.

Every track is a Kalman filter of constant acceleration, its jerk white noise (Bar-Shalom, Li and
Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, ch. 6). Points go to
tracks by least total cost (`scipy.optimize.linear_sum_assignment`), within a gate. A track whose
next point is in doubt is ended: two short tracks can be joined later by what they are, one wrong
track cannot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from lashwave.quantities.arrays import Array, Whole


@dataclass(frozen=True)
class LinkRule:
    """What a track may do."""

    jerk: float = 4e5
    """Root-mean-square change of acceleration a second that a track is ready for [m/s3]. At 500 Hz
    and 4e5 a prediction after one sample is good to 1 mm, and a turn of 0.1 m radius at 50 m/s
    (jerk 1.25e7) ends it."""
    speed: float = 10.0
    """Of a new track, standard deviation of a component [m/s]."""
    acceleration: float = 300.0
    """Of a new track, standard deviation of a component [m/s2]."""
    gate: float = 25.0
    """Largest chi-square (3 degrees of freedom) of a point from its prediction."""
    margin: float = 6.0
    """Least lead in cost over the next best point, and over the next best track."""
    ratio: float = 0.3
    """Of a new track, whose speed is not known: largest step to its second point over the step to
    the next nearest, and over that of the nearest other point to the same place."""
    coast: int = 3
    """Samples that a track lives without a point."""


class Tracker:
    """Tracks at the latest sample. `step` takes the samples in order of time."""

    def __init__(self, rule: LinkRule = LinkRule()) -> None:
        self.rule = rule
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
        move, noise = _motion(step, self.rule.jerk)
        spread = move @ self.spread @ move.T + noise
        return (move @ self.mean)[:, 0], spread[:, 0, 0]

    def step(self, step: float, points: Array, variance: Array) -> Whole:
        """Advance by `step` [s] and take in points (P, 3) [m] with variance (P,) [m2].

        Returns
        -------
        number : (P,) of the track that each point joins, or begins.
        """
        move, noise = _motion(step, self.rule.jerk)
        self.mean = move @ self.mean
        self.spread = move @ self.spread @ move.T + noise
        track, doubtful = self._assign(points, variance)
        self._missed += 1
        joined = np.flatnonzero(track >= 0)
        self._update(track[joined], points[joined], variance[joined])
        keep = (self._missed <= self.rule.coast) & ~doubtful
        number = np.full(len(points), -1, np.int64)
        number[joined] = self.number[track[joined]]
        self.number, self.mean = self.number[keep], self.mean[keep]
        self.spread, self._missed = self.spread[keep], self._missed[keep]
        self._fresh = self._fresh[keep]
        self._begin(number, points, variance)
        return number

    def _assign(self, points: Array, variance: Array) -> tuple[Whole, NDArray[np.bool_]]:
        """Track of each point (P,), -1 for none; and the tracks (K,) whose point is in doubt."""
        tracks, count = len(self.number), len(points)
        chosen, doubtful = np.full(count, -1, np.int64), np.zeros(tracks, dtype=bool)
        if not tracks or not count:
            return chosen, doubtful
        total = self.spread[:, 0, 0, None] + variance
        away = ((self.mean[:, None, 0] - points) ** 2).sum(-1) / total
        # 2 log likelihood in 3-D, so that a vague track does not win over a sharp one.
        cost = away + 3.0 * np.log(total / variance.min())
        cost[away > self.rule.gate] = np.inf
        none = self.rule.gate + 3.0 * np.log(total.max() / variance.min()) + 1.0
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
                unsure = rest.min(initial=np.inf) * self.rule.ratio < step[p]
            else:
                rest = np.append(np.delete(cost[k], p), np.delete(cost[:, p], k))
                unsure = rest.min(initial=np.inf) - cost[k, p] < self.rule.margin
            if unsure:
                doubtful[k] = True
            else:
                chosen[p] = k
        return chosen, doubtful

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
        spread[:, 1, 1], spread[:, 2, 2] = self.rule.speed**2, self.rule.acceleration**2
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


def link(
    sample: ArrayLike, position: ArrayLike, sd: ArrayLike, step: float, rule: LinkRule = LinkRule()
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
    tracker, track = Tracker(rule), np.full(sample.shape, -1, np.int64)
    last = None
    for now in np.unique(sample):
        here = np.flatnonzero(sample == now)
        for _ in range(0 if last is None else min(int(now - last) - 1, rule.coast + 1)):
            tracker.step(step, np.empty((0, 3)), np.empty(0))
        track[here] = tracker.step(step, position[here], variance[here])
        last = now
    return track
