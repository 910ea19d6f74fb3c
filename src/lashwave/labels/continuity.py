"""Where a marker is between its other samples, and how far from there it may be.

A cubic through two samples on either side, or a parabola through three where a run begins or ends;
the tolerance grows with how far the curve departs from the straight line through the nearest two,
so that it follows the motion without a setting for it.
"""

from __future__ import annotations

from functools import lru_cache
from math import prod

import numpy as np

from lashwave.labels.label_settings import (
    LABELS,
    LabelSettings,
)
from lashwave.quantities import Array, Mask, Whole


@lru_cache(maxsize=1 << 14)
def _weights(time: tuple[int, ...]) -> Array:
    """Lagrange's weights of samples at `time` (n,) for the polynomial's value at 0."""
    return np.array(
        [
            prod(-other / (own - other) for j, other in enumerate(time) if j != k)
            for k, own in enumerate(time)
        ]
    )


def _support(
    seen: Whole, at: int, skip: bool, ends: bool, settings: LabelSettings
) -> tuple[list[int], float]:
    """Samples (indices) that say where a marker is, the two nearest last, and the share of bend."""
    low = int(np.searchsorted(seen, at))
    high = low + int(skip and low < seen.size and seen[low] == at)
    before = low >= 2 and at - seen[low - 1] <= settings.motion_near
    after = high + 2 <= seen.size and seen[high] - at <= settings.motion_near
    if before and after and seen[high + 1] - seen[low - 2] <= 4 * settings.motion_near:
        return [low - 2, high + 1, low - 1, high], settings.motion_bend
    if ends and low >= 3 and at - seen[low - 3] <= 2 * settings.motion_near:
        return [low - 3, low - 2, low - 1], settings.motion_open
    if ends and high + 3 <= seen.size and seen[high + 2] - at <= 2 * settings.motion_near:
        return [high + 2, high + 1, high], settings.motion_open
    return [], np.nan


def expected(
    seen: Whole,
    place: Array,
    at: int,
    sd: float,
    *,
    skip: bool = False,
    ends: bool = False,
    settings: LabelSettings = LABELS,
) -> tuple[Array, float]:
    """Place (3,) [m] of a marker at sample `at`, and the distance [m] allowed from it.

    seen : (n,) samples, increasing; place : (n, 3) [m]; skip : leave sample `at` itself out.
    ends : also go by three samples on one side. Both are nan where there are too few samples.
    """
    which, bend = _support(seen, at, skip, ends, settings)
    if not which:
        return np.full(3, np.nan), np.nan
    time = tuple((seen[which] - at).tolist())
    weight = _weights(time)
    curve = weight @ place[which]
    straight = _weights(time[-2:]) @ place[which[-2:]]
    noise = sd * float(np.sqrt(1.0 + np.sum(weight**2)))
    # 6: of three coordinates together, one in 10 000 goes beyond 4.6 sd.
    return curve, 6.0 * noise + bend * float(np.linalg.norm(curve - straight))


@lru_cache(maxsize=1 << 14)
def _ahead(time: tuple[int, ...], degree: int) -> Array:
    """Weights of samples at `time` (n,) for their least-squares polynomial's value at 0."""
    basis = np.vander(np.asarray(time, dtype=float), degree + 1)
    return np.asarray(np.linalg.pinv(basis)[-1])


def led_to(
    seen: Whole, place: Array, at: int, sd: float, most: int, settings: LabelSettings = LABELS
) -> tuple[Array, float]:
    """Place (3,) [m] of a marker at sample `at` by the samples before it, and the distance allowed.

    A parabola through the last of them, `most` at most. Both are nan where there are too few.

    Parameters
    ----------
    seen : (n,) samples, increasing; place : (n, 3) [m]; sd : of one coordinate [m].
    """
    stop = int(np.searchsorted(seen, at))
    which = np.arange(max(stop - most, 0), stop)
    which = which[at - seen[which] <= 2 * most]
    if which.size < 4:
        return np.full(3, np.nan), np.nan
    time = tuple((seen[which] - at).tolist())
    weight = _ahead(time, 2)
    curve = weight @ place[which]
    straight = _ahead(time, 1) @ place[which]
    noise = sd * float(np.sqrt(1.0 + np.sum(weight**2)))
    return curve, 6.0 * noise + settings.motion_open * float(np.linalg.norm(curve - straight))


def _by_label(sample: Whole, label: Whole) -> list[Whole]:
    """Points of each label in order of time."""
    own = [np.flatnonzero(label == k) for k in np.unique(label[label >= 0])]
    return [points[np.argsort(sample[points], kind="stable")] for points in own]


def jumps(
    sample: Whole, position: Array, label: Whole, sd: float, settings: LabelSettings = LABELS
) -> Mask:
    """(U,) labelled points that are not where their label's other samples put them.

    Also those that have no such samples near. The worst of a label goes first, as it spoils its
    neighbours' test.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m]; label : (U,), -1 for none.
    sd : of one coordinate [m].
    """
    out = np.zeros(label.size, dtype=bool)
    for own in _by_label(sample, label):
        excess = _excesses(sample, position, own, sd, settings)
        while excess.size and excess.max() > 1.0:
            worst = int(excess.argmax())
            out[own[worst]] = True
            own, excess = np.delete(own, worst), np.delete(excess, worst)
            for j in range(max(0, worst - 4), min(own.size, worst + 4)):
                excess[j] = _excess(sample, position, own, j, sd, settings)
    return out


def _widest(sd: float, settings: LabelSettings) -> float:
    """Largest distance [m] that may be allowed; a parabola through the three samples before has
    weights 1, -3, 3, and the point its own noise."""
    return settings.motion_close + 6.0 * sd * float(np.sqrt(20.0))


def _excesses(
    sample: Whole, position: Array, own: Whole, sd: float, settings: LabelSettings
) -> Array:
    """Of each of a label's points; those between two others on either side all at once."""
    seen, place = sample[own], position[own]
    around = np.arange(own.size)[:, None] + np.array([-2, 2, -1, 1])
    inside = np.flatnonzero((around[:, 0] >= 0) & (around[:, 1] < own.size))
    around = around[inside]
    time = (seen[around] - seen[inside, None]).astype(float)
    near = (np.abs(time[:, 2:]) <= settings.motion_near).all(axis=1) & (
        time[:, 1] - time[:, 0] <= 4 * settings.motion_near
    )
    inside, around, time = inside[near], around[near], time[near]
    spread = time[:, :, None] - time[:, None]
    share = np.where(np.eye(4, dtype=bool), 1.0, -time[:, None] / (spread + np.eye(4)))
    weight = share.prod(axis=2)
    line = np.stack([time[:, 3], -time[:, 2]], axis=1) / (time[:, 3] - time[:, 2])[:, None]
    curve = (weight[:, :, None] * place[around]).sum(axis=1)
    straight = (line[:, :, None] * place[around[:, 2:]]).sum(axis=1)
    noise = sd * np.sqrt(1.0 + (weight * weight).sum(axis=1))
    allowed = 6.0 * noise + settings.motion_bend * np.linalg.norm(curve - straight, axis=1)
    away = np.linalg.norm(place[inside] - curve, axis=1)
    out = np.full(own.size, np.nan)
    out[inside] = np.where(allowed < _widest(sd, settings), away / allowed, np.inf)
    for j in np.flatnonzero(np.isnan(out)):
        out[j] = _excess(sample, position, own, int(j), sd, settings)
    return out


def _excess(
    sample: Whole, position: Array, own: Whole, j: int, sd: float, settings: LabelSettings
) -> float:
    """Distance of a label's j-th point from where the others put it, over what is allowed."""
    seen, at = sample[own], int(sample[own[j]])
    place, allowed = expected(seen, position[own], at, sd, skip=True, ends=True, settings=settings)
    away = float(np.linalg.norm(position[own[j]] - place))
    return away / allowed if allowed < _widest(sd, settings) else np.inf


def crossed_ways(
    sample: Whole, position: Array, label: Whole, sd: float, settings: LabelSettings = LABELS
) -> Mask:
    """(U,) points at the end of a run of their label that lie as well on the way of other points.

    One a sample before and one a sample after, with no such point of the label on one side: two
    explanations, the label's run and another marker that passes by, and none is taken.

    Parameters
    ----------
    sample, position, label, sd : as for `jumps`; positions and sd in [m].
    """
    out = np.zeros(label.size, dtype=bool)
    order = np.argsort(sample, kind="stable")
    times = sample[order]
    for own in _by_label(sample, label):
        alone = np.diff(sample[own]) > 1
        for p in own[np.append(True, alone) | np.append(alone, True)]:
            one, two = (
                order[np.searchsorted(times, at) : np.searchsorted(times, at, side="right")]
                for at in (sample[p] - 1, sample[p] + 1)
            )
            one, two = one[label[one] != label[p]], two[label[two] != label[p]]
            q, r = position[one, None], position[two]
            bend = np.linalg.norm(q - 2.0 * position[p] + r, axis=-1)
            stride = 0.5 * np.linalg.norm(r - q, axis=-1)
            way = (bend < 6.0 * np.sqrt(6.0) * sd + settings.motion_sway * stride) & (
                stride < settings.motion_stride
            )
            out[p] = (way & (label[one, None] == label[two])).any()
    return out


def filled(
    sample: Whole, position: Array, label: Whole, sd: float, settings: LabelSettings = LABELS
) -> Whole:
    """Labels (U,) with those of points that stand alone where a label without a point must be.

    Parameters
    ----------
    sample, position, label, sd : as for `jumps`; positions and sd in [m].
    """
    label = label.copy()
    order = np.argsort(sample, kind="stable")
    times = sample[order]
    found: list[tuple[int, int]] = []
    for own in _by_label(sample, label):
        seen, place = sample[own], position[own]
        for at in np.setdiff1d(np.arange(seen[0], seen[-1] + 1), seen):
            target, allowed = expected(seen, place, int(at), sd, settings=settings)
            if not np.isfinite(allowed):
                continue
            here = order[np.searchsorted(times, at) : np.searchsorted(times, at, side="right")]
            away = np.linalg.norm(position[here] - target, axis=1)
            near = here[away < 3.0 * allowed]
            if near.size == 1 and label[near[0]] < 0 and away.min() < allowed:
                found.append((int(near[0]), int(label[own[0]])))
    points = [p for p, _ in found]
    for p, k in found:
        if points.count(p) == 1:
            label[p] = k
    return label
