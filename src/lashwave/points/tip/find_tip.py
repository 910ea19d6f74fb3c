"""The tip of the line through a record: found anew or followed, fitted, or left out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Background, Plane, darkness, darkness_noise
from lashwave.points.tip.bar_fit import TipFit, TipSeen, fit_tip, pooled
from lashwave.points.tip.centre_line import CentreLine, centre_line
from lashwave.points.tip.in_time import of_one_motion, uncontradicted, widened
from lashwave.points.tip.line_mask import (
    DarkRegion,
    MaskThresholds,
    black_regions,
    dark_regions,
    mask_thresholds,
)
from lashwave.points.tip.line_trace import End, ends
from lashwave.points.tip.lone_end import DarkScene, is_lone
from lashwave.points.tip.still_line import moves, with_line_lit
from lashwave.points.tip.through_fronts import bands, walked_ends
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.points.tip.tuft import at_edge_step, credible
from lashwave.quantities import Array, Frames, TipTrack


@dataclass(frozen=True)
class _RoughTip:
    frame: int
    end: End
    line: CentreLine
    corner: tuple[int, int]
    dark: Plane
    noise: Plane
    bands: NDArray[np.bool_] | None = None
    """(h, w): of fronts beside the line, which the fit leaves out."""
    walked: _RoughTip | None = None
    """The end that a walk through fronts leads to, where fronts are about."""

    @property
    def tip(self) -> Array:
        return self.end.way[0]


def tips_in(
    frames: Frames, scene: Background, exposure: float = 0.0, settings: TipSettings = TIP
) -> Iterator[TipSeen]:
    """The tip in every frame that shows it clearly; two frames are kept at a time.

    Parameters
    ----------
    scene : the record's background.
    exposure : share of a frame's period; the tip is that of the exposure's middle.
    """
    scene, still = with_line_lit(scene, settings=settings)
    thresholds = mask_thresholds(scene, settings=settings)
    noise = np.where(scene.usable, darkness_noise(scene), np.float32(np.inf))
    trail: list[_RoughTip] = []
    for number, image in enumerate(frames):
        dark = darkness(image, scene)
        picture = DarkScene(dark, [], thresholds, scene.usable, still)
        near, gate = _expected(trail, number, settings)
        chosen = _choose(
            _ends(dark_regions(dark, thresholds, settings=settings), picture, near, settings),
            near,
            gate,
        )
        fresh = None if chosen is None else _cut(number, chosen, dark, noise, settings)
        if near is not None and (fresh is None or fresh.end.beyond > 0.0):
            # A front or a tuft joins the tip, or hides it: look for what is black.
            chosen = _choose(
                _ends(black_regions(dark, thresholds, settings=settings), picture, near, settings),
                near,
                gate,
            )
            black = None if chosen is None else _cut(number, chosen, dark, noise, settings)
            if black is not None and _width(black, settings) >= settings.track_black_width:
                fresh = black
        if fresh is None or fresh.end.beyond > 0.0 or _glares(fresh, settings):
            fresh = _with_walk(number, fresh, (dark, noise, thresholds), near, gate, settings)
        if trail and trail[-1].frame == number - 1:
            seen = _seen(trail, fresh, exposure, settings)
            if seen is not None:
                yield seen
        if fresh is not None:
            trail = [*trail, fresh][-3:]
        elif trail and number - trail[-1].frame >= settings.track_memory:
            trail = []
    if trail and trail[-1].frame == len(frames) - 1:
        seen = _seen(trail, None, exposure, settings)
        if seen is not None:
            yield seen


def _glares(rough: _RoughTip, settings: TipSettings) -> bool:
    """Whether a front stands about an end."""
    noise = float(np.median(rough.noise[np.isfinite(rough.noise)]))
    return bool((rough.dark < -settings.walk_glare - 4.0 * noise).mean() > settings.track_lit)


def _with_walk(
    number: int,
    fresh: _RoughTip | None,
    picture: tuple[Plane, Plane, MaskThresholds],
    near: Array | None,
    gate: float,
    settings: TipSettings,
) -> _RoughTip | None:
    """What was found with the walk's end beside it, or that alone."""
    dark, noise, thresholds = picture
    chosen = _choose(walked_ends(dark, thresholds, settings=settings), near, gate)
    if chosen is None:
        return fresh
    walked = _cut(number, chosen, dark, noise, settings)
    if not _glares(walked, settings):
        return fresh
    walked = replace(walked, bands=bands(walked.dark, chosen, walked.corner, settings=settings))
    if fresh is None or fresh.end.beyond > 0.0:
        return replace(walked, walked=walked)
    return replace(fresh, walked=walked)


def _seen(
    trail: list[_RoughTip], after: _RoughTip | None, exposure: float, settings: TipSettings
) -> TipSeen | None:
    """The tip of the trail's last frame by its own end, or else by the walk's."""
    seen = None
    if trail[-1].walked is None or trail[-1].walked.end is not trail[-1].end:
        seen = _fitted(trail, after, exposure, settings)
    walked = trail[-1].walked
    if walked is not None and (seen is None or seen.fit.sd > settings.track_worst_sd):
        seen = _fitted([*trail[:-1], walked], after, exposure, settings)
        if seen is None:
            return _as_walked(walked, settings)
    return seen


def _as_walked(rough: _RoughTip, settings: TipSettings) -> TipSeen:
    """The walk's own end, where fronts hide too much for a fit."""
    fit = TipFit(
        rough.tip + 0.0,
        np.zeros((2, 2)),
        settings.fit_round,
        settings.fit_round_sd,
        np.zeros(2),
        rough.end.direction,
        _width(rough, settings),
        rough.end.depth,
        np.nan,
    )
    fit = at_edge_step(rough.dark, rough.corner, rough.line.uv, fit, settings=settings)
    return TipSeen(rough.frame, fit, rough.line, rough.corner, rough.dark, rough.noise)


def tip_track(
    seen: Iterable[TipSeen], tufted: bool = False, settings: TipSettings = TIP
) -> TipTrack:
    """The track of the tips that `tips_in` gives: one shape of the line's end for all.

    Fits that are too uncertain, or that their neighbours in time contradict, are left out.
    Pictures are let go as they come, so memory does not grow with them.

    Parameters
    ----------
    tufted : the line is known to have strands at its end, so a dark end need not be its own.
    """
    frames, fits = [], []
    for one in seen:
        frames.append(one.frame)
        fits.append(one.fit)
    fits = pooled(fits, settings=settings)
    sd = np.array([np.hypot(f.sd, settings.track_floor) for f in fits])
    number, uv = np.array(frames, dtype=np.int64), np.array([f.uv for f in fits]).reshape(-1, 2)
    depth, wide = np.array([[f.depth, f.width] for f in fits]).reshape(-1, 2).T
    middle = float(np.median(depth)) if fits else 0.0
    kept = np.flatnonzero(
        (sd <= np.maximum(settings.track_worst_sd, 0.25 * wide))
        & (depth > settings.track_shallow * middle)
        & credible(fits, tufted, settings=settings)
    )
    kept = kept[of_one_motion(number[kept], uv[kept], settings=settings)]
    kept = kept[uncontradicted(number[kept], uv[kept], sd[kept], settings=settings)]
    number, uv, sd = number[kept], uv[kept], sd[kept]
    return TipTrack(number, uv, widened(number, uv, sd, settings=settings))


def _ends(
    regions: list[DarkRegion], scene: DarkScene, near: Array | None, settings: TipSettings
) -> list[End]:
    moving = [r for r in regions if moves(r, scene.still)]
    found = []
    for region in moving:
        here = replace(scene, regions=moving, own=region)
        for end in ends(region, scene.usable, near, settings, scene.thresholds.standing):
            if end.beyond < settings.track_farthest and is_lone(end, here, settings=settings):
                found.append(end)
    return found


def _expected(
    trail: list[_RoughTip], number: int, settings: TipSettings
) -> tuple[Array | None, float]:
    """Where the tip should be by constant velocity, and how far from it at most [px]."""
    if len(trail) < 2:
        return None, np.inf
    last, before = trail[-1], trail[-2]
    step = (last.tip - before.tip) / (last.frame - before.frame)
    ahead = number - last.frame
    return last.tip + ahead * step, ahead * (
        settings.track_gate + settings.track_gate_share * float(np.hypot(*step))
    )


def _choose(found: list[End], near: Array | None, gate: float) -> End | None:
    """The end that is the tip: nearest to its prediction, or else the only one that came in."""
    if near is not None and found:
        away = [float(np.hypot(*(e.way[0] - near))) for e in found]
        best = int(np.argmin(away))
        if away[best] <= gate:
            return found[best]
    entered = [e for e in found if e.entered]
    return entered[0] if len(entered) == 1 else None


def _cut(number: int, end: End, dark: Plane, noise: Plane, settings: TipSettings) -> _RoughTip:
    """Keep what later steps need of a frame."""
    height, width = dark.shape
    u, v = (int(x) for x in np.rint(end.way[0]))
    left, top = max(u - settings.track_half_picture, 0), max(v - settings.track_half_picture, 0)
    box = (
        slice(top, min(v + settings.track_half_picture + 1, height)),
        slice(left, min(u + settings.track_half_picture + 1, width)),
    )
    line = centre_line(
        dark, np.minimum(noise, np.float32(1.0)), end.way, end.width, settings=settings
    )
    return _RoughTip(number, end, line, (left, top), dark[box].copy(), noise[box].copy())


def _fitted(
    trail: list[_RoughTip], after: _RoughTip | None, exposure: float, settings: TipSettings
) -> TipSeen | None:
    """Fit the last of the trail, its stroke from its neighbours in time; None where unclear."""
    now = trail[-1]
    known = [r for r in (*trail[-2:-1], now, after) if r is not None]
    known = [r for r in known if abs(r.frame - now.frame) <= 1]
    step = np.zeros(2)
    if len(known) > 1:
        step = (known[-1].tip - known[0].tip) / (known[-1].frame - known[0].frame)
    if now.end.beyond > 0.0 and (len(known) < 3 or _beside_wire(now)):
        return None  # something joins it, and it does not last, or a wire hides what
    width = _width(now, settings)
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
        settings=settings,
    )
    if fit is None:
        return None
    # A straight stroke stands for a way that bends, and a line that turns meanwhile.
    smear = settings.track_smear * exposure * float(np.hypot(*step))
    fit = replace(fit, covariance=fit.covariance + smear**2 * np.eye(2))
    stray = settings.track_stray + 0.5 * (now.end.width or 0.0) + 0.5 * exposure * np.hypot(*step)
    if np.hypot(*(fit.uv - now.tip)) > stray:
        return None
    if joined:
        fit = at_edge_step(now.dark, now.corner, now.line.uv, fit, settings=settings)
        # Strands leave a misfit, but not at the line's edge.
        if not fit.certain and fit.misfit > settings.track_joined_misfit:
            return None
        return TipSeen(now.frame, fit, now.line, now.corner, now.dark, now.noise)
    noise = float(np.median(now.noise[np.isfinite(now.noise)]))
    if (
        fit.misfit > settings.track_rough
        and np.sqrt(fit.misfit) * noise > settings.track_unlike * fit.depth
    ):
        return None
    if fit.sd > settings.track_doubtful_sd:
        return None
    return TipSeen(now.frame, fit, now.line, now.corner, now.dark, now.noise)


def _beside_wire(rough: _RoughTip) -> bool:
    """Whether a wire or the window's edge lies within 10 px of the tip."""
    u, v = (int(x) for x in np.rint(rough.tip) - np.asarray(rough.corner))
    near = rough.noise[max(v - 10, 0) : v + 11, max(u - 10, 0) : u + 11]
    return bool(np.isinf(near).mean() > 0.05)


def _width(rough: _RoughTip, settings: TipSettings) -> float:
    """Width of the line near its end [px]: darkness across it over its depth."""
    if rough.end.width is not None:
        return float(np.clip(rough.end.width, 1.0, settings.fit_widest))
    way = np.rint(rough.end.way[4:16]).astype(int) - np.asarray(rough.corner)
    height, width = rough.dark.shape
    way = way[((way >= 0) & (way < [width, height])).all(axis=1)]
    normal = np.array([-rough.end.direction[1], rough.end.direction[0]])
    offsets = np.arange(-8, 9)
    spots = np.rint(way[:, None] + offsets[None, :, None] * normal).astype(int)
    column = np.clip(spots[..., 0], 0, width - 1)
    row = np.clip(spots[..., 1], 0, height - 1)
    mass = np.maximum(rough.dark[row, column], -settings.walk_glare).sum(axis=1)
    return float(np.clip(np.median(mass) / max(rough.end.depth, 0.1), 1.0, 12.0))
