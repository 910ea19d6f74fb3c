"""Which point of a sample can stand at which station of an inextensible line, and at what cost.

The straight distance of two markers is at most the arc length between them, and is close to it
where the line is nearly straight. Along the line this makes a chain, and the cheapest labelling of
a sample, with stations left out and points left over, follows by dynamic programming (Bellman
1957). Run from both ends it gives, for every point and station, the least cost of any labelling
that puts the point there (min-marginals); the difference between the best and the next best says
how sure the label is.

No point may be at two stations: a line marked nearly evenly would fill stations without a point
with the points of others, for less than any labelling costs. So a chain knows all of its points.
Not all chains can be gone through: some are kept to each place, once as they are and once with a
price on every point, by which a chain leaves those alone that others need; and the best labelling
that holds a point counts for all points in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.labels.label_settings import (
    CHAIN,
    ChainSettings,
)
from lashwave.quantities import Array

CHUNK = 100
"""Samples taken together."""


def chord_cost(
    distance: Array,
    arc: float | Array,
    sd: float | Array,
    settings: ChainSettings,
    rigid: bool = False,
) -> Array:
    """Cost of distances (...,) [m] between markers `arc` [m] apart along the line.

    sd : of distance and arc together [m]. Heavy-tailed for short chords, as a line may fold;
    quadratic beyond the arc; and on both sides of it where the piece between is rigid.
    """
    if rigid:
        return np.asarray(np.minimum(0.5 * ((distance - arc) / sd) ** 2, settings.farthest))
    short = np.maximum(1.0 - distance / arc, 0.0)
    over = np.maximum(distance - arc, 0.0) / sd
    cost = settings.straight * np.log1p(short / (settings.bend + sd / arc)) + 0.5 * over * over
    return np.asarray(np.minimum(cost, settings.farthest))


@dataclass(frozen=True)
class _Chains:
    """Chains that end at each (station, point): the cheapest, the cheapest with another point last
    but one, and that of the point alone."""

    cost: Array
    """(3, T, L, N)"""
    at: NDArray[np.int16]
    """(3, T, L, N, N) station of each point of the chain; -1 for others."""


def _forward(chord: list[list[Array]], unary: Array, settings: ChainSettings) -> _Chains:
    """Chains from the first station on; T samples, L stations, N points."""
    samples, stations, points = unary.shape
    rows, each = np.arange(samples)[:, None], np.arange(points)
    found = _Chains(np.empty((3, *unary.shape)), np.full((3, *unary.shape, points), -1, np.int16))
    onward = np.empty((stations, samples, points, points))  # least cost of going on to a point,
    by = np.zeros(onward.shape, np.int8)  # and which of the chains goes on
    for k in range(stations):
        least = np.full((samples, points, points), np.inf)  # by (last but one, last)
        origin = np.zeros(least.shape, np.int64)
        for j in range(k):
            cost = onward[j] + chord[j][k]
            cost += settings.missing * (k - j - 1)
            np.copyto(origin, j, where=cost < least)
            np.minimum(least, cost, out=least)
        here = unary[:, k] - settings.left_over
        alone = np.full((samples, 1, points), settings.missing * k)
        every = np.concatenate([alone, least], axis=1)
        found.cost[2, :, k] = alone[:, 0] + here
        for rank in range(2):
            first = every.argmin(axis=1)
            take = first[:, None, :]
            found.cost[rank, :, k] = np.take_along_axis(every, take, axis=1)[:, 0] + here
            np.put_along_axis(every, take, np.inf, axis=1)
            last = first - 1
            j = origin[rows, last, each]
            before = found.at[by[j, rows, last, each], rows, j, last]
            found.at[rank, :, k] = np.where(first[..., None] > 0, before, -1)
        found.at[:, :, k, each, each] = k
        ways = np.where(found.at[:, :, k] >= 0, np.inf, found.cost[:, :, k, :, None])
        by[k] = ways.argmin(axis=0)
        onward[k] = ways.min(axis=0)
    return found


def _both(chord: list[list[Array]], unary: Array, settings: ChainSettings) -> Array:
    """Min-marginals (T, L, N) of one chunk.

    Where all chains to a place share a point with all chains from it, one of the two goes without.
    """
    count = unary.shape[1]
    # From the tip the same chain is run with the stations turned round.
    turned = [[chord[count - 1 - k][count - 1 - j] for k in range(count)] for j in range(count)]
    total, at = np.full(unary.shape, np.inf), np.empty((*unary.shape, unary.shape[2]), np.int16)
    for price in (0.0, settings.price):
        ahead = _forward(chord, unary + price, settings)
        back = _forward(turned, unary[:, ::-1] + price, settings)
        for one, its in zip(ahead.cost, ahead.at, strict=True):
            for two, others in zip(back.cost[:, :, ::-1], back.at[:, :, ::-1], strict=True):
                shared = ((its >= 0) & (others >= 0)).sum(axis=-1) - 1  # all share their end
                used = (its >= 0).sum(axis=-1) + (others >= 0).sum(axis=-1)
                gone = (settings.missing + settings.left_over) * shared
                cost = one + two + gone - price * used
                less = cost < total
                total[less] = cost[less]
                theirs = others[less]
                at[less] = np.where(theirs < 0, its[less], count - 1 - theirs)
    return _told_to_all(total - (unary - settings.left_over), at)


def _told_to_all(total: Array, at: NDArray[np.int16]) -> Array:
    """Costs (T, L, N) of labellings (T, L, N, N), those of each point's best counted for all of its
    points: a chain may have missed what was found from another place."""
    rows, each = np.arange(len(total))[:, None], np.arange(total.shape[2])
    best = total.argmin(axis=1)
    places = at[rows, best, each]  # (T, N, N) by the point whose best it is
    t, p, q = np.nonzero(places >= 0)
    out = total.copy()
    np.minimum.at(out, (t, places[t, p, q], q), total[t, best[t, p], p])
    return out


def min_marginals(
    points: Array,
    station: Array,
    unary: Array,
    sd: Array,
    settings: ChainSettings = CHAIN,
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
    for start in range(0, len(points), CHUNK):
        part = slice(start, start + CHUNK)
        here = points[part]
        gone = ~np.isfinite(here[..., 0])
        chord = _chords(here, station, sd, settings, rigid_to)
        total = _both(chord, np.where(gone[:, None], 1e6, unary[part]), settings)
        total = np.where(gone[:, None], np.inf, total)
        empty = settings.missing * station.size  # no point labelled at all
        cost[part] = total - np.minimum(total.min(axis=(1, 2)), empty)[:, None, None]
    return cost


def _chords(
    points: Array, station: Array, sd: Array, settings: ChainSettings, rigid_to: float
) -> list[list[Array]]:
    """Cost (T, N, N) of each two points (T, N, 3) at stations j and k > j; empty for others."""
    distance = np.linalg.norm(points[:, :, None] - points[:, None], axis=-1)
    distance = np.where(np.isfinite(distance), distance, np.inf)
    count = station.size
    return [
        [
            chord_cost(
                distance,
                station[k] - station[j],
                sd[j, k],
                settings,
                bool(station[k] < rigid_to),
            )
            if k > j
            else np.empty(0)
            for k in range(count)
        ]
        for j in range(count)
    ]
