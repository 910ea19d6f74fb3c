"""Samples in which no marker is lost and nothing strange is seen are labelled whole.

Where a line cracks, a marker goes further from one sample to the next than its neighbours are
away, and no motion says which it is. But with as many points as stations, each point is one of
them, and no chord may be longer than its arc: of all orders of the points hardly more than one is
left. Neighbours in time that are labelled already have a say where the line is folded.

A point lost while a stray one is seen would be taken for it. So only runs of whole samples count:
losses and strays that come and go alike are no run. And a point that its label's samples before and
after contradict gets none.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from lashwave.labels.label_settings import LABELS, LabelSettings
from lashwave.labels.station_costs import min_marginals
from lashwave.quantities import Array, Mask, Whole


def whole_samples(
    sample: Whole,
    position: Array,
    label: Whole,
    station: Array,
    pairs: Array,
    rigid_to: float = 0.0,
    settings: LabelSettings = LABELS,
) -> Whole:
    """Labels (U,) with those added of samples that can be labelled whole, all or none of a sample.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m]; label : (U,), -1 for none.
    station : (L,) [m] increasing; pairs : (L, L) sd of chord and arc [m].
    rigid_to : [m], length of the straight, rigid grip at the butt.
    """
    given, label = label, label.copy()
    if not label.size:
        return label
    counted = np.flatnonzero((label >= 0) | ~at_rest(sample, position, label < 0, settings))
    point = _whole(sample, counted, station.size, settings)
    place = np.full((int(sample.max()) + 1, station.size, 3), np.nan)
    while True:
        has = label >= 0
        place[sample[has], label[has]] = position[has]
        free = point[(label[point] < 0).any(axis=1)]
        if not free.size:
            break
        fixed = np.moveaxis(_fixed(label[free], station.size, settings), 2, 1)
        unary = fixed + _told(place, sample[free[:, 0]], position[free], settings)
        cost = min_marginals(position[free], station, unary, pairs, settings.chain, rigid_to)
        best, ranked = cost.argmin(axis=2), np.sort(cost, axis=2)
        sure = (ranked[..., 1] - ranked[..., 0]).min(axis=1) > settings.whole_lead
        sure &= (np.sort(best, axis=1) == np.arange(station.size)).all(axis=1)
        chosen = np.take_along_axis(free, best, axis=1)
        before = label[chosen]
        sure &= ((before < 0) | (before == np.arange(station.size))).all(axis=1)
        if not sure.any():
            break
        label[chosen[sure]] = np.arange(station.size)
    new = np.flatnonzero((given < 0) & (label >= 0))
    strange = _contradicted(place, sample[new], label[new], position[new], settings)
    label[new[strange]] = -1
    return label


def at_rest(sample: Whole, position: Array, free: Mask, settings: LabelSettings = LABELS) -> Mask:
    """(U,) which of the free points are seen at one place through much of the record: reflections.

    sample : (U,) number of each point's sample; position : (U, 3) [m].
    """
    own = np.flatnonzero(free)
    rest = np.zeros(free.size, dtype=bool)
    if own.size:
        near = cKDTree(position[own]).query_ball_point(
            position[own], settings.whole_still, return_length=True
        )
        rest[own] = near > settings.whole_often * np.unique(sample).size
    return rest


def _whole(sample: Whole, counted: Whole, stations: int, settings: LabelSettings) -> Whole:
    """(T, L) points of the samples that have as many as there are stations, in runs."""
    counted = counted[np.argsort(sample[counted], kind="stable")]
    count = np.bincount(sample[counted])
    edges = np.flatnonzero(np.diff(np.pad((count == stations).astype(int), 1)))
    first, last = edges[::2], edges[1::2]
    kept = np.zeros(count.size, dtype=bool)
    for a, b in zip(first, last, strict=True):
        kept[a:b] = b - a >= settings.whole_run
    return counted[kept[sample[counted]]].reshape(-1, stations)


def _fixed(label: Whole, stations: int, settings: LabelSettings) -> Array:
    """(T, N, L) cost of a labelled point at another station, and of another point at its own."""
    cost = np.zeros((*label.shape, stations))
    row, column = np.nonzero(label >= 0)
    own = label[row, column]
    cost[row, column] = 2.0 * settings.cap
    cost[row, :, own] = 2.0 * settings.cap
    cost[row, column, own] = 0.0
    return cost


def _contradicted(
    place: Array, now: Whole, label: Whole, points: Array, settings: LabelSettings
) -> Mask:
    """(P,) points (P, 3) [m] far from where their label's samples put them, or with none to say so.

    A cubic through two samples on either side, or else a parabola through three on one; how far
    off is too far grows with how far the curve is from a straight way. place : (S, L, 3) [m], nan
    for none.
    """
    padded = np.pad(place, ((3, 3), (0, 0), (0, 0)), constant_values=np.nan)
    behind, ahead = ([padded[now + 3 + way * k, label] for k in (1, 2, 3)] for way in (-1, 1))
    near, far = behind[0] + ahead[0], behind[1] + ahead[1]
    cubic = _off(points, (4.0 * near - far) / 6.0, 0.5 * near, settings)
    sides = np.stack([_off(points, *_drawn(side), settings) for side in (behind, ahead)])
    sides = np.where(np.isnan(sides), -np.inf, sides).max(axis=0)
    off = np.where(np.isnan(cubic), sides, cubic)
    return np.asarray((off > 1.0) | ~np.isfinite(off))


def _off(points: Array, curve: Array, straight: Array, settings: LabelSettings) -> Array:
    """How far points (..., 3) [m] are from a curve, over what is allowed; nan where it is."""
    bend = np.linalg.norm(curve - straight, axis=-1)
    allowed = settings.whole_vague + settings.motion_bend * bend
    return np.asarray(np.linalg.norm(points - curve, axis=-1) / allowed)


def _drawn(side: Sequence[Array]) -> tuple[Array, Array]:
    """Where a parabola through three samples goes on, and a straight line through the nearer two,
    (..., 3) [m]; the nearest first."""
    one, two, three = side
    return 3.0 * (one - two) + three, 2.0 * one - two


def _told(place: Array, now: Whole, points: Array, settings: LabelSettings) -> Array:
    """(T, L, N) cost of points (T, N, 3) [m] by the three samples before and after theirs, as far
    as these have labels (place (S, L, 3) [m], nan for none)."""
    padded = np.pad(place, ((3, 3), (0, 0), (0, 0)), constant_values=np.nan)
    cost = np.zeros((now.size, place.shape[1], points.shape[1]))
    for way in (-1, 1):
        curve, straight = _drawn([padded[now + 3 + way * k] for k in (1, 2, 3)])
        bend = settings.motion_bend * np.linalg.norm(curve - straight, axis=-1)
        sd = np.hypot(settings.whole_vague, bend)
        away = np.linalg.norm(points[:, None] - curve[:, :, None], axis=-1)
        said = np.minimum(0.5 * np.square(away / sd[..., None]), settings.whole_said)
        cost += np.nan_to_num(said)
    return cost
