"""The tip of the line through a record: found anew or followed, fitted, or left out in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Background, Plane, darkness, darkness_noise
from lashwave.points.tip.fit import ROUND, ROUND_SD, TipFit, fit_tip, pooled
from lashwave.points.tip.line_mask import Candidate, Sieve, black_regions, candidates, sieve
from lashwave.points.tip.line_trace import CentreLine, End, centre_line, ends
from lashwave.points.tip.neck import at_neck, believed
from lashwave.points.tip.steady import steady
from lashwave.points.tip.through_fronts import GLARE, bands, walked_ends
from lashwave.quantities.arrays import Array
from lashwave.quantities.images import Frames, TipTrack

GATE, GATE_SHARE = 30.0, 0.5
"""A followed tip is this near its prediction: [px], and share of its last step."""
MEMORY = 3
"""Frames after which a lost tip is looked for anew."""
PATCH = 96
"""Half side of what is kept of a frame around its tip [px]: the fit's and the tuft's picture."""
BLACK_WIDTH = 4.0
"""A line at least this wide is black in its middle whatever the lens does [px]."""
STRAY = 8.0
"""A fit further from the end of the dark region than this is of something else [px]."""
FARTHEST = 130.0
"""Longer than any tuft: what goes on further in the dark is not the tip's [px]."""
WORST_SD, DOUBTFUL_SD = 2.5, 3.0
"""Of a tip in a track, and of one whose shape is still its own [px]."""
ROUGH, UNLIKE = 3.0, 0.25
"""A picture fits by chi-square over its degrees, or by its residual's share of the depth."""
JOINED_MISFIT = 1.5
"""The same where strands or a front begin at the tip, which the fit does not see much of."""
SHALLOW = 0.6
"""A tip under this share of the record's median depth is the end of a front, not of the line."""
LIT = 0.02
"""Share of the picture about an end that a front lights up where fronts are about."""
FLOOR = 0.03
"""Of the standard deviation: what the bar's shape lacks (taper, lens) [px]; measured in tests."""


@dataclass(frozen=True)
class TipSeen:
    """The line's end in one frame."""

    frame: int
    fit: TipFit
    line: CentreLine
    """From near the tip to where the line came in."""
    corner: tuple[int, int]
    """u, v of the first pixel of the two pictures below."""
    dark: Plane
    """(h, w) relative darkness around the tip."""
    noise: Plane
    """Its standard deviation; inf where nothing is known."""


@dataclass(frozen=True)
class _Rough:
    frame: int
    end: End
    line: CentreLine
    corner: tuple[int, int]
    dark: Plane
    noise: Plane
    bands: NDArray[np.bool_] | None = None
    """(h, w): of fronts beside the line, which the fit leaves out."""
    walked: _Rough | None = None
    """The end that a walk through fronts leads to, where fronts are about."""

    @property
    def tip(self) -> Array:
        return self.end.way[0]


def follow(frames: Frames, scene: Background, exposure: float = 0.0) -> Iterator[TipSeen]:
    """The tip in every frame that shows it without doubt; two frames are held at a time.

    Parameters
    ----------
    scene : the record's background.
    exposure : share of a frame's period; the tip is that of the exposure's middle.
    """
    filters = sieve(scene)
    noise = np.where(scene.usable, darkness_noise(scene), np.float32(np.inf))
    trail: list[_Rough] = []
    for number, image in enumerate(frames):
        dark = darkness(image, scene)
        near, gate = _expected(trail, number)
        chosen = _choose(_ends(candidates(dark, filters), scene, near), near, gate)
        fresh = None if chosen is None else _cut(number, chosen, dark, noise)
        if near is not None and (fresh is None or fresh.end.beyond > 0.0):
            # A front or a tuft joins the tip, or hides it: look for what is black.
            chosen = _choose(_ends(black_regions(dark, filters), scene, near), near, gate)
            black = None if chosen is None else _cut(number, chosen, dark, noise)
            if black is not None and _width(black) >= BLACK_WIDTH:
                fresh = black
        if fresh is None or fresh.end.beyond > 0.0 or _glares(fresh):
            fresh = _with_walk(number, fresh, (dark, noise, filters), near, gate)
        if trail and trail[-1].frame == number - 1:
            seen = _seen(trail, fresh, exposure)
            if seen is not None:
                yield seen
        if fresh is not None:
            trail = [*trail, fresh][-3:]
        elif trail and number - trail[-1].frame >= MEMORY:
            trail = []
    if trail and trail[-1].frame == len(frames) - 1:
        seen = _seen(trail, None, exposure)
        if seen is not None:
            yield seen


def _glares(rough: _Rough) -> bool:
    """Whether a front stands about an end."""
    noise = float(np.median(rough.noise[np.isfinite(rough.noise)]))
    return bool((rough.dark < -GLARE - 4.0 * noise).mean() > LIT)


def _with_walk(
    number: int,
    fresh: _Rough | None,
    picture: tuple[Plane, Plane, Sieve],
    near: Array | None,
    gate: float,
) -> _Rough | None:
    """What was found with the walk's end beside it, or that alone."""
    dark, noise, filters = picture
    chosen = _choose(walked_ends(dark, filters), near, gate)
    if chosen is None:
        return fresh
    walked = _cut(number, chosen, dark, noise)
    if not _glares(walked):
        return fresh
    walked = replace(walked, bands=bands(walked.dark, chosen, walked.corner))
    if fresh is None or fresh.end.beyond > 0.0:
        return replace(walked, walked=walked)
    return replace(fresh, walked=walked)


def _seen(trail: list[_Rough], after: _Rough | None, exposure: float) -> TipSeen | None:
    """The tip of the trail's last frame by its own end, or else by the walk's."""
    seen = None
    if trail[-1].walked is None or trail[-1].walked.end is not trail[-1].end:
        seen = _fitted(trail, after, exposure)
    walked = trail[-1].walked
    if walked is not None and (seen is None or seen.fit.sd > WORST_SD):
        seen = _fitted([*trail[:-1], walked], after, exposure)
        if seen is None:
            return _as_walked(walked)
    return seen


def _as_walked(rough: _Rough) -> TipSeen:
    """The walk's own end, where fronts hide too much for a fit."""
    fit = TipFit(
        rough.tip + 0.0,
        np.zeros((2, 2)),
        ROUND,
        ROUND_SD,
        np.zeros(2),
        rough.end.direction,
        _width(rough),
        rough.end.depth,
        np.nan,
    )
    fit = at_neck(rough.dark, rough.corner, rough.line.uv, fit)
    return TipSeen(rough.frame, fit, rough.line, rough.corner, rough.dark, rough.noise)


def track(seen: Iterable[TipSeen], tufted: bool = False) -> TipTrack:
    """The track of what `follow` saw: one shape of the line's end for all, doubtful fits left out.

    Pictures are let go as they come, so memory does not grow with them.

    Parameters
    ----------
    tufted : the line is known to have strands at its end, so a dark end need not be its own.
    """
    frames, fits = [], []
    for one in seen:
        frames.append(one.frame)
        fits.append(one.fit)
    fits = pooled(fits)
    sd = np.array([np.hypot(f.sd, FLOOR) for f in fits])
    number, uv = np.array(frames, dtype=np.int64), np.array([f.uv for f in fits]).reshape(-1, 2)
    depth = np.array([f.depth for f in fits])
    middle = float(np.median(depth)) if fits else 0.0
    kept = np.flatnonzero((sd <= WORST_SD) & (depth > SHALLOW * middle) & believed(fits, tufted))
    kept = kept[steady(number[kept], uv[kept], sd[kept])]
    return TipTrack(number[kept], uv[kept], sd[kept])


def _ends(regions: list[Candidate], scene: Background, near: Array | None) -> list[End]:
    found = [e for r in regions for e in ends(r, scene.usable, near)]
    return [e for e in found if e.beyond < FARTHEST]


def _expected(trail: list[_Rough], number: int) -> tuple[Array | None, float]:
    """Where the tip should be by constant velocity, and how far from it at most [px]."""
    if len(trail) < 2:
        return None, np.inf
    last, before = trail[-1], trail[-2]
    step = (last.tip - before.tip) / (last.frame - before.frame)
    ahead = number - last.frame
    return last.tip + ahead * step, ahead * (GATE + GATE_SHARE * float(np.hypot(*step)))


def _choose(found: list[End], near: Array | None, gate: float) -> End | None:
    """The end that is the tip: nearest to its prediction, or else the only one that came in."""
    if near is not None and found:
        away = [float(np.hypot(*(e.way[0] - near))) for e in found]
        best = int(np.argmin(away))
        if away[best] <= gate:
            return found[best]
    entered = [e for e in found if e.entered]
    return entered[0] if len(entered) == 1 else None


def _cut(number: int, end: End, dark: Plane, noise: Plane) -> _Rough:
    """Keep what later steps need of a frame."""
    height, width = dark.shape
    u, v = (int(x) for x in np.rint(end.way[0]))
    left, top = max(u - PATCH, 0), max(v - PATCH, 0)
    box = (slice(top, min(v + PATCH + 1, height)), slice(left, min(u + PATCH + 1, width)))
    line = centre_line(dark, np.minimum(noise, np.float32(1.0)), end.way)
    return _Rough(number, end, line, (left, top), dark[box].copy(), noise[box].copy())


def _fitted(trail: list[_Rough], after: _Rough | None, exposure: float) -> TipSeen | None:
    """Fit the last of the trail, its stroke from its neighbours in time; None in doubt."""
    now = trail[-1]
    known = [r for r in (*trail[-2:-1], now, after) if r is not None]
    known = [r for r in known if abs(r.frame - now.frame) <= 1]
    step = np.zeros(2)
    if len(known) > 1:
        step = (known[-1].tip - known[0].tip) / (known[-1].frame - known[0].frame)
    if now.end.beyond > 0.0 and (len(known) < 3 or _beside_wire(now)):
        return None  # something joins it, and it does not last, or a wire hides what
    width = _width(now)
    joined = now.end.beyond > 0.0
    fit = fit_tip(
        now.dark,
        now.noise if now.bands is None else np.where(now.bands, np.float32(np.inf), now.noise),
        now.corner,
        now.tip - 2.0 * now.end.direction,
        now.end.direction,
        width,
        now.end.depth,
        exposure * step,
        joined,
    )
    if fit is None or np.hypot(*(fit.uv - now.tip)) > STRAY + 0.5 * exposure * np.hypot(*step):
        return None
    if joined:
        fit = at_neck(now.dark, now.corner, now.line.uv, fit)
        # Strands leave a misfit, but not at the line's edge.
        if not fit.told and fit.misfit > JOINED_MISFIT:
            return None
        return TipSeen(now.frame, fit, now.line, now.corner, now.dark, now.noise)
    noise = float(np.median(now.noise[np.isfinite(now.noise)]))
    if fit.misfit > ROUGH and np.sqrt(fit.misfit) * noise > UNLIKE * fit.depth:
        return None
    if fit.sd > DOUBTFUL_SD:
        return None
    return TipSeen(now.frame, fit, now.line, now.corner, now.dark, now.noise)


def _beside_wire(rough: _Rough) -> bool:
    """Whether a wire or the window's edge lies within 10 px of the tip."""
    u, v = (int(x) for x in np.rint(rough.tip) - np.asarray(rough.corner))
    near = rough.noise[max(v - 10, 0) : v + 11, max(u - 10, 0) : u + 11]
    return bool(np.isinf(near).mean() > 0.05)


def _width(rough: _Rough) -> float:
    """Width of the line near its end [px]: darkness across it over its depth."""
    if rough.end.width is not None:
        return float(np.clip(rough.end.width, 1.0, 12.0))
    way = np.rint(rough.end.way[4:16]).astype(int) - np.asarray(rough.corner)
    height, width = rough.dark.shape
    way = way[((way >= 0) & (way < [width, height])).all(axis=1)]
    normal = np.array([-rough.end.direction[1], rough.end.direction[0]])
    offsets = np.arange(-8, 9)
    spots = np.rint(way[:, None] + offsets[None, :, None] * normal).astype(int)
    column = np.clip(spots[..., 0], 0, width - 1)
    row = np.clip(spots[..., 1], 0, height - 1)
    mass = np.maximum(rough.dark[row, column], -GLARE).sum(axis=1)
    return float(np.clip(np.median(mass) / max(rough.end.depth, 0.1), 1.0, 12.0))
