"""Places of a moving point that its others, before and after, do not contradict.

A track in which the point would have to leap falls into pieces, and one end of each leap is false:
the shorter piece goes, and both where neither is much the longer. Then each place is predicted by
a parabola through its neighbours in time, itself left out. That holds for a point whose
acceleration changes by a small share of its step from frame to frame.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array


def of_one_motion(
    frame: NDArray[np.int64], uv: Array, settings: TipSettings = TIP
) -> NDArray[np.bool_]:
    """(P,) which places lie in pieces of a track between which no point has to leap.

    Parameters
    ----------
    frame : (P,) increasing; uv : (P, 2) [px].
    """
    own = np.arange(frame.size)
    while True:
        leaps = _leaps(frame[own], uv[own], settings)
        if not leaps.any():
            return np.isin(np.arange(frame.size), own)
        piece = np.concatenate([[0], np.cumsum(leaps)])
        size = np.bincount(piece)
        # Of all that a leap bounds, the smallest is judged by the larger piece beside it.
        least = int(size.argmin())
        beside = [int(k) for k in (least - 1, least + 1) if 0 <= k < size.size]
        other = max(beside, key=lambda k: int(size[k]))
        false = [least] if size[other] >= settings.motion_longer * size[least] else [least, other]
        own = own[~np.isin(piece, false)]


def _leaps(frame: NDArray[np.int64], uv: Array, settings: TipSettings) -> NDArray[np.bool_]:
    """(P - 1,) between which places (P, 2) [px] the point would have to leap: neither the speed
    before nor that after, nor a mean of both, leads near enough."""
    if frame.size < 3:
        return np.zeros(max(frame.size - 1, 0), dtype=bool)
    ahead = np.diff(frame).astype(float)[:, None]
    step = np.diff(uv, axis=0)
    speed = step / ahead
    unknown = np.full((1, 2), np.nan)
    before, after = np.concatenate([unknown, speed[:-1]]), np.concatenate([speed[1:], unknown])
    before, after = (
        np.where(np.isnan(before), after, before),
        np.where(np.isnan(after), before, after),
    )
    fastest = np.maximum(np.hypot(*before.T), np.hypot(*after.T))
    miss = [np.hypot(*(step - ahead * v).T) for v in (before, after, 0.5 * (before + after))]
    most = settings.motion_leap + ahead[:, 0] * settings.motion_leap_share * fastest
    return np.asarray(np.min(miss, axis=0) > most)


def uncontradicted(
    frame: NDArray[np.int64], uv: Array, sd: Array, settings: TipSettings = TIP
) -> NDArray[np.bool_]:
    """(P,) which places of a moving point its other places do not contradict.

    The worst is taken out first, then all are judged anew.

    Parameters
    ----------
    frame : (P,) increasing; uv : (P, 2) [px]; sd : (P,) of one coordinate [px].
    """
    kept = np.ones(frame.size, dtype=bool)
    # Where most places jerk about, none of them is false for it.
    away = [
        _departure(i, np.flatnonzero(kept), frame, uv, sd, settings=settings)[0]
        for i in range(frame.size)
    ]
    rough = float(np.median(away)) if away else 0.0
    while True:
        own = np.flatnonzero(kept)
        off = np.array(
            [_departure(int(i), own, frame, uv, sd, rough, settings=settings)[1] for i in own]
        )
        if not off.size or off.max() <= settings.motion_limit:
            break
        kept[own[int(off.argmax())]] = False
    # An uncertain place that no neighbour confirms is left out too.
    kept &= ~((sd >= settings.motion_doubtful_sd) & np.isin(np.arange(frame.size), own[off == 0.0]))
    near = (np.abs(frame[:, None] - frame[kept]) <= settings.motion_reach).sum(axis=1) - 1
    return kept & ~((sd >= settings.motion_unsure_sd) & (near < settings.motion_company))


def widened(frame: NDArray[np.int64], uv: Array, sd: Array, settings: TipSettings = TIP) -> Array:
    """(P,) deviations [px] of places, those widened that stand out from their neighbours' motion
    by more than the deviations leave open: a front or a strand that just touches the tip.

    Parameters
    ----------
    frame : (P,) increasing; uv : (P, 2) [px]; sd : (P,) of one coordinate [px].
    """
    own, wide = np.arange(frame.size), sd.copy()
    for i in own:
        away, over = _departure(int(i), own, frame, uv, sd, None, settings=settings)
        if over > settings.motion_limit:
            wide[i] = max(sd[i], away / settings.motion_limit)
    return wide


def _departure(
    i: int,
    own: NDArray[np.intp],
    frame: NDArray[np.int64],
    uv: Array,
    sd: Array,
    rough: float | None = 0.0,
    settings: TipSettings = TIP,
) -> tuple[float, float]:
    """Distance of place i from what its neighbours predict, in px and in sd; 0 where too few.

    rough : what the motion itself leaves [px]; None where a parabola is held to be exact.
    """
    before = own[(own < i) & (frame[own] >= frame[i] - settings.motion_reach)][
        -settings.motion_each_side :
    ]
    after = own[(own > i) & (frame[own] <= frame[i] + settings.motion_reach)][
        : settings.motion_each_side
    ]
    near = np.concatenate([before, after])
    if near.size < settings.motion_fewest:
        return 0.0, 0.0
    t = (frame[near] - frame[i]).astype(float)
    step = float(np.linalg.norm(uv[near[-1]] - uv[near[0]])) / (t[-1] - t[0])
    model = 0.0
    if rough is not None:
        model = settings.motion_least + settings.motion_share * step + rough
    error = np.hypot(sd[near], model)
    rows = np.column_stack([np.ones_like(t), t, t * t]) / error[:, None]
    inverse = np.linalg.pinv(rows)
    predicted = inverse[0] @ (uv[near] / error[:, None])
    away = float(np.linalg.norm(uv[i] - predicted))
    return away, away / float(np.sqrt((inverse[0] ** 2).sum() + sd[i] ** 2 + model**2))
