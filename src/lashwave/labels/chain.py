"""Which point of a sample can stand at which station of an inextensible line, and at what cost.

The straight distance of two markers is at most the arc length between them, and is close to it
where the line is nearly straight. Along the line this makes a chain, and the cheapest labelling of
a sample, with stations left out and points left over, follows by dynamic programming (Bellman
1957). Run from both ends it gives, for every point and station, the least cost of any labelling
that puts the point there (min-marginals); the difference between the best and the next best says
how sure the label is. No point is used again two places on, which would else let the line fold
back on itself to fill a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array

CHUNK = 100
"""Samples taken together."""


@dataclass(frozen=True)
class ChainRule:
    """Costs, as minus log likelihoods."""

    missing: float = 3.0
    """Of a station without a point."""
    left_over: float = 4.0
    """Of a point without a station."""
    bend: float = 0.05
    """Share by which a chord is usually shorter than its arc."""
    straight: float = 1.0
    """Exponent of the law of shorter chords, (1 + short / bend)^-straight. Low, as a line that is
    coiled stays so for many samples: only a chord over its arc is hard evidence."""
    farthest: float = 60.0
    """Largest cost of one chord: beyond, the labelling is as good as ruled out."""


def chord_cost(
    distance: Array, arc: float | Array, sd: float | Array, rule: ChainRule, rigid: bool = False
) -> Array:
    """Cost of distances (...,) [m] between markers `arc` [m] apart along the line.

    sd : of distance and arc together [m]. Heavy-tailed for short chords, as a line may fold;
    quadratic beyond the arc; and on both sides of it where the piece between is rigid.
    """
    if rigid:
        return np.asarray(np.minimum(0.5 * ((distance - arc) / sd) ** 2, rule.farthest))
    short = np.maximum(1.0 - distance / arc, 0.0)
    over = np.maximum(distance - arc, 0.0) / sd
    cost = rule.straight * np.log1p(short / (rule.bend + sd / arc)) + 0.5 * over * over
    return np.asarray(np.minimum(cost, rule.farthest))


def _forward(
    chord: list[list[Array]], unary: Array, rule: ChainRule
) -> tuple[Array, NDArray[np.int64], Array]:
    """Least cost of a chain that ends at each (station, point), and the next least over another
    last-but-one point: costs (T, L, N), that point (T, L, N), second costs (T, L, N)."""
    samples, stations, points = unary.shape
    best, second = np.empty(unary.shape), np.empty(unary.shape)
    before = np.full(unary.shape, -1, np.int64)
    each = np.arange(points)
    for k in range(stations):
        least = np.full((samples, points, points), np.inf)  # by (last but one, last)
        for j in range(k):
            again = before[:, j, :, None] == each
            so_far = np.where(again, second[:, j, :, None], best[:, j, :, None])
            cost = so_far + chord[j][k]
            cost += rule.missing * (k - j - 1)
            np.minimum(least, cost, out=least)
        least[:, each, each] = np.inf
        start = np.full((samples, 1, points), rule.missing * k)
        every = np.concatenate([start, least], axis=1)
        first = every.argmin(axis=1)
        take = first[:, None, :]
        here = unary[:, k] - rule.left_over
        best[:, k] = np.take_along_axis(every, take, axis=1)[:, 0] + here
        np.put_along_axis(every, take, np.inf, axis=1)
        second[:, k] = every.min(axis=1) + here
        before[:, k] = first - 1
    return best, before, second


def _both(chord: list[list[Array]], unary: Array, rule: ChainRule) -> Array:
    """Min-marginals (T, L, N) of one chunk."""
    count = unary.shape[1]
    ahead = _forward(chord, unary, rule)
    # From the tip the same chain is run with the stations turned round.
    turned = [[chord[count - 1 - k][count - 1 - j] for k in range(count)] for j in range(count)]
    back = [a[:, ::-1] for a in _forward(turned, unary[:, ::-1], rule)]
    clash = (ahead[1] == back[1]) & (ahead[1] >= 0)
    total = np.where(
        clash,
        np.minimum(ahead[0] + back[2], ahead[2] + back[0]),
        ahead[0] + back[0],
    )
    return np.asarray(total - (unary - rule.left_over))


def min_marginals(
    points: Array,
    station: Array,
    unary: Array,
    sd: Array,
    rule: ChainRule = ChainRule(),
    rigid_to: float = 0.0,
) -> Array:
    """Least cost of any labelling of a sample that puts a point at a station.

    Parameters
    ----------
    points : (T, N, 3) [m], nan where a sample has fewer points.
    station : (L,) [m] increasing.
    unary : (T, L, N) cost of each point at each station from elsewhere (its track).
    sd : (L, L) of distance and arc together, for each two stations [m].
    rigid_to : [m], length of the straight, rigid grip at the butt.

    Returns
    -------
    cost : (T, L, N), over the least cost of the sample; inf where there is no point.
    """
    cost = np.empty(unary.shape)
    count = station.size
    for start in range(0, len(points), CHUNK):
        part = slice(start, start + CHUNK)
        here = points[part]
        gone = ~np.isfinite(here[..., 0])
        distance = np.linalg.norm(here[:, :, None] - here[:, None], axis=-1)
        distance = np.where(np.isfinite(distance), distance, np.inf)
        none = np.empty(0)
        chord = [
            [
                chord_cost(
                    distance, station[k] - station[j], sd[j, k], rule, bool(station[k] < rigid_to)
                )
                if k > j
                else none
                for k in range(count)
            ]
            for j in range(count)
        ]
        private = np.where(gone[:, None], 1e6, unary[part])
        total = _both(chord, private, rule)
        total = np.where(gone[:, None], np.inf, total)
        empty = rule.missing * count  # no point labelled at all
        cost[part] = total - np.minimum(total.min(axis=(1, 2)), empty)[:, None, None]
    return cost
