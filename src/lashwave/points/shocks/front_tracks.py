"""Curves followed from frame to frame: one number a front, and how fast it moves along its normal.

A curve of the next frame continues a front where the front's points, moved along their normals
by what the front's own motion predicts, meet it with the same bright side. A front may be seen
in several pieces; pieces that meet different points of it share its number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from lashwave.points.shocks.curves import FrontCurve
from lashwave.points.shocks.shock_settings import FOLLOWING, FollowSettings
from lashwave.quantities import Array


@dataclass(frozen=True)
class Front:
    """One front over the frames in which it was seen."""

    number: int
    frame: NDArray[np.int64]
    """(F,) increasing"""
    pieces: tuple[tuple[FrontCurve, ...], ...]
    """F of them: the curves seen in each frame."""
    step: Array
    """(F - 1,) displacement along the normal since the frame before [px], bright side plus."""
    step_sd: Array
    """(F - 1,) [px]"""


@dataclass
class _Track:
    frame: list[int]
    pieces: list[tuple[FrontCurve, ...]]
    pace: float | None = None
    """Last displacement a frame [px]; None while it has none."""


def meet(
    curve: FrontCurve, other: FrontCurve, low: float, high: float, bend: float
) -> tuple[Array, NDArray[np.intp]]:
    """Displacement along a curve's normals to another curve, (P,) [px]; nan where none.

    The other's polyline is crossed by each normal line; of several crossings between `low` and
    `high` the nearest to the middle of that range counts. Also (P,) the other's point there.
    """
    shift = other.uv[None] - curve.uv[:, None]
    along = np.einsum("pqc,pc->pq", shift, curve.normal)
    across = np.einsum("pqc,pc->pq", shift, curve.tangent)
    crosses = across[:, :-1] * across[:, 1:] <= 0.0
    run = across[:, 1:] - across[:, :-1]
    crosses &= np.abs(run) > 1e-9
    weight = np.where(crosses, -across[:, :-1] / np.where(crosses, run, 1.0), 0.0)
    at = along[:, :-1] + weight * (along[:, 1:] - along[:, :-1])
    chord = np.diff(other.uv, axis=0)
    gap = np.linalg.norm(chord, axis=1)
    # An arc stands off its chord by gap^2 w (1 - w) / (2 R), and the normals turn by gap / R.
    at += 0.5 * weight * (1.0 - weight) * (np.diff(other.normal, axis=0) * chord).sum(axis=1)
    crosses &= (gap < 4.0 * np.median(gap))[None]
    crosses &= (curve.normal @ other.normal[:-1].T) > bend
    crosses &= (at >= low) & (at <= high)
    away = np.where(crosses, np.abs(at - 0.5 * (low + high)), np.inf)
    best = away.argmin(axis=1)
    rows = np.arange(best.size)
    return np.where(np.isfinite(away[rows, best]), at[rows, best], np.nan), best


def _level(shift: Array, sd: Array, settings: FollowSettings) -> tuple[float, float, float]:
    """Median displacement, its sd, and the spread left when a straight trend is taken out."""
    middle = float(np.median(shift))
    x = np.linspace(-1.0, 1.0, shift.size)
    trend = float(np.median((shift - middle) / np.where(np.abs(x) < 0.1, np.inf, x)))
    spread = 1.4826 * float(np.median(np.abs(shift - middle - trend * x)))
    own = max(spread, float(np.median(sd)))
    sd = 1.2533 * own / np.sqrt(shift.size)  # of a median: sqrt(pi / 2)
    return middle, float(np.hypot(sd, settings.pixel_sd)), spread


@dataclass(frozen=True)
class _Match:
    cost: float
    track: int
    curve: int
    used: frozenset[int]
    """Points of the track's pieces that were met, as numbers in their concatenation."""
    covered: frozenset[int]
    """Points of the curve."""
    step: float
    sd: float


def _windows(track: _Track, passed: int, settings: FollowSettings) -> list[tuple[float, float]]:
    """Ranges of displacement in which the track may be met `passed` frames later."""
    low, high = settings.slowest * passed, settings.fastest * passed
    if track.pace is None:
        return [(-high, high)] if low <= 0.0 else [(low, high), (-high, -low)]
    reach = settings.change * passed
    near = (track.pace * passed - reach, track.pace * passed + reach)
    if low <= 0.0:
        return [(max(near[0], -high), min(near[1], high))]
    ends = (low, high) if track.pace > 0.0 else (-high, -low)
    return [(max(near[0], ends[0]), min(near[1], ends[1]))]


def _match(
    tracks: list[_Track], t: int, curves: list[FrontCurve], frame: int, settings: FollowSettings
) -> list[_Match]:
    """What of `curves` may continue track `t`."""
    track = tracks[t]
    passed = frame - track.frame[-1]
    found = []
    for c, curve in enumerate(curves):
        tried = [
            _try(track, window, passed, curve, settings)
            for window in _windows(track, passed, settings)
        ]
        good = [match for match in tried if match is not None]
        if good:
            found.append(replace(min(good, key=lambda m: m.cost), track=t, curve=c))
    return found


def _try(
    track: _Track,
    window: tuple[float, float],
    passed: int,
    curve: FrontCurve,
    settings: FollowSettings,
) -> _Match | None:
    old = track.pieces[-1]
    shift, sd, place = _shifts(old, (curve,), window, settings)
    hit = np.flatnonzero(np.isfinite(shift))
    least = min(shift.size, curve.uv.shape[0])
    if hit.size < max(settings.points, settings.covered * least):
        return None
    step, step_sd, spread = _level(shift[hit], sd[hit], settings)
    cost = spread + 2.0 * (1.0 - hit.size / least)
    cost += 1.0 if track.pace is None else 0.1 * abs(step - track.pace * passed)
    used = frozenset(hit.tolist())
    return _Match(cost, -1, -1, used, frozenset(place[hit].tolist()), step, step_sd)


def _shifts(
    old: tuple[FrontCurve, ...],
    new: tuple[FrontCurve, ...],
    window: tuple[float, float],
    settings: FollowSettings,
) -> tuple[Array, Array, NDArray[np.intp]]:
    """Displacements of all points of `old` to `new`, their sd, and the point met."""
    reach = max(abs(window[0]), abs(window[1])) + 10.0
    shifts, sds, places = [], [], []
    for piece in old:
        shift = np.full(piece.sd.size, np.nan)
        place = np.zeros(piece.sd.size, dtype=np.intp)
        sd = piece.sd.copy()
        for curve in new:
            if _near(piece, curve, reach):
                at, index = meet(piece, curve, *window, settings.bend)
                fresh = np.isfinite(at) & np.isnan(shift)
                shift[fresh], place[fresh] = at[fresh], index[fresh]
                sd[fresh] = np.hypot(piece.sd[fresh], curve.sd[index[fresh]])
        shifts.append(shift)
        sds.append(sd)
        places.append(place)
    return np.concatenate(shifts), np.concatenate(sds), np.concatenate(places)


def _near(a: FrontCurve, b: FrontCurve, reach: float) -> bool:
    low, high = a.uv.min(axis=0) - reach, a.uv.max(axis=0) + reach
    return bool(((b.uv.max(axis=0) >= low) & (b.uv.min(axis=0) <= high)).all())


def fronts_through(
    seen: list[tuple[int, list[FrontCurve]]], settings: FollowSettings = FOLLOWING
) -> list[Front]:
    """Fronts through frames, numbered from 0 in the order in which they were first seen.

    Parameters
    ----------
    seen : frame number and its curves, frames increasing.
    """
    tracks: list[_Track] = []
    same: list[tuple[int, int]] = []
    for frame, curves in seen:
        live = [
            t for t, track in enumerate(tracks) if frame - track.frame[-1] <= settings.missing + 1
        ]
        matches = [m for t in live for m in _match(tracks, t, curves, frame, settings)]
        taken, joined = _settle(matches, settings)
        same += joined
        for t in live:
            mine = [m for m in taken if m.track == t]
            if mine:
                track = tracks[t]
                weight = np.array([1.0 / m.sd**2 for m in mine])
                step = float(np.average([m.step for m in mine], weights=weight))
                track.pace = step / (frame - track.frame[-1])
                track.frame.append(frame)
                track.pieces.append(tuple(curves[m.curve] for m in mine))
        free = set(range(len(curves))) - {m.curve for m in taken}
        tracks += [_Track([frame], [(curves[c],)]) for c in sorted(free)]
    tracks = _united(tracks, same)
    return _finished(_united(tracks, _in_line(tracks, settings)), settings)


def _settle(
    matches: list[_Match], settings: FollowSettings
) -> tuple[list[_Match], list[tuple[int, int]]]:
    """Cheapest first: a curve has one front, a point of a front meets one curve.

    Also the pairs of tracks that one curve continues side by side: pieces of one front.
    """
    owner: dict[int, list[_Match]] = {}
    points: dict[int, set[int]] = {}
    steps: dict[int, float] = {}
    taken, joined = [], []
    for match in sorted(matches, key=lambda m: m.cost):
        used = points.setdefault(match.track, set())
        if len(match.used & used) > settings.overlap * len(match.used):
            continue
        if abs(match.step - steps.setdefault(match.track, match.step)) > settings.alike:
            continue
        others = owner.setdefault(match.curve, [])
        if any(
            len(match.covered & o.covered) > settings.overlap * len(match.covered)
            or abs(match.step - o.step) > settings.alike
            for o in others
        ):
            continue
        if others:
            joined.append((others[0].track, match.track))
        else:
            taken.append(match)
            used |= match.used
        others.append(match)
    return taken, joined


def _in_line(tracks: list[_Track], settings: FollowSettings) -> list[tuple[int, int]]:
    """Tracks that go on in line, end to start, in most of at least three frames they share."""
    places = [dict(zip(t.frame, t.pieces, strict=True)) for t in tracks]
    pairs = []
    for a, mine in enumerate(places):
        for b, other in enumerate(places):
            shared = sorted(mine.keys() & other.keys())
            if a == b or len(shared) < settings.frames:
                continue
            lined = [
                any(_goes_on(p, q, settings.join) for p in mine[f] for q in other[f])
                for f in shared
            ]
            if sum(lined) >= max(settings.frames, 0.6 * len(shared)):
                pairs.append((a, b))
    return pairs


def _goes_on(first: FrontCurve, second: FrontCurve, reach: float) -> bool:
    """Whether one curve's end points at the other's start, and the other's start away from it.

    Either turns from the straight gap by less than 20 deg, as an arc of `reach` does down to a
    radius of 1.5 `reach`.
    """
    gap = second.uv[0] - first.uv[-1]
    length = float(np.linalg.norm(gap))
    if length > reach:
        return False
    least = np.cos(np.radians(20.0)) * length - 1.5  # 1.5 px: the bins' ends are not exact
    return bool(first.tangent[-1] @ gap > least and second.tangent[0] @ gap > least)


def _united(tracks: list[_Track], same: list[tuple[int, int]]) -> list[_Track]:
    """Tracks of one front as one, oldest first."""
    if not tracks:
        return []
    links = np.array(same, dtype=int).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=[len(tracks)] * 2)
    label = connected_components(graph, directed=False)[1]
    united: list[_Track] = []
    for group in dict.fromkeys(label.tolist()):
        seen: dict[int, tuple[FrontCurve, ...]] = {}
        for t in np.flatnonzero(label == group):
            for frame, pieces in zip(tracks[t].frame, tracks[t].pieces, strict=True):
                seen[frame] = seen.get(frame, ()) + pieces
        frames = sorted(seen)
        united.append(_Track(frames, [seen[f] for f in frames]))
    return united


def _finished(tracks: list[_Track], settings: FollowSettings) -> list[Front]:
    """Numbered fronts seen often enough, their steps measured over all pieces together."""
    fronts: list[Front] = []
    for track in tracks:
        steps = []
        for k in range(1, len(track.frame)):
            reach = settings.fastest * (track.frame[k] - track.frame[k - 1])
            shift, sd, _ = _shifts(track.pieces[k - 1], track.pieces[k], (-reach, reach), settings)
            hit = np.isfinite(shift)
            steps.append(
                _level(shift[hit], sd[hit], settings)[:2] if hit.any() else (np.nan, np.nan)
            )
        if len(track.frame) >= settings.frames and np.isfinite(steps).all():
            step, sd = np.array(steps).T
            fronts.append(Front(len(fronts), np.array(track.frame), tuple(track.pieces), step, sd))
    return fronts
