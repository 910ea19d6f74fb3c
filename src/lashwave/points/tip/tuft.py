"""Where the line ends and its tuft begins, and how wide the tuft stands.

Strands leave the tip as one bundle that is as dark as the line but thinner, so a dark end says
little. But at the tip the line's edge steps inward, by some tenths of its width at least, within
the picture's blur. That step is looked for along an edge beside which no front is dark or begins,
for a front moves the edge. A bend of the line, or strands that spread, turn the edge but do not
step.

For the width of the tuft the picture past the tip is straightened along the line's direction. In
each column the strands reach from the first to the last dark place; the width is that at the
fan's end. Strands thinner than a pixel still take light: the shade counts them all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, median_filter
from scipy.special import ndtr

from lashwave.points.background import Plane
from lashwave.points.tip.bar_fit import TipFit, TipSeen
from lashwave.points.tip.centre_line import sampled
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array, TuftWidths


@dataclass(frozen=True)
class EdgeStep:
    """A step of the line's edge inward."""

    uv: Array
    """(2,) [px] on the line's axis."""
    direction: Array
    """(2,) unit vector along the axis, outward."""
    step: float
    """[px]"""
    along_sd: float
    """By the other places that explain the edges as well [px]."""


def edge_step(
    dark: Plane,
    corner: tuple[int, int],
    line: Array,
    width: float = 0.0,
    settings: TipSettings = TIP,
) -> EdgeStep | None:
    """The clearest step inward of either edge about a dark end; None where there is none.

    Parameters
    ----------
    dark : (h, w) relative darkness, of which u, v of the first pixel are `corner`.
    line : (M, 2) [px] the line's middle, about a pixel apart, from the dark end inward.
    width : of the line [px], where it is wide.
    """
    axis = _axis(line, settings)
    if axis is None:
        return None
    along, places, directions = axis
    normals = _turned(directions)
    reach = max(9.0, 0.5 * width + 5.0)
    places_in = places - np.asarray(corner)
    sides = [_edge(dark, places_in, k * normals, reach, settings) for k in (1.0, -1.0)]
    tried = np.flatnonzero((along >= -settings.step_back) & (along <= settings.step_ahead))
    for brightest in (settings.step_darkest, settings.step_brightest):
        step, gain = np.zeros((2, tried.size)), np.zeros((2, tried.size))
        for side, (edge, beside) in enumerate(sides):
            clear = np.where(beside > -brightest, edge, np.nan)
            for i, at in enumerate(tried):
                step[side, i], gain[side, i] = _step(along - along[at], clear, beside, settings)
        # Noise and dust shift one edge alone; where a tuft begins both step, if both are seen.
        alone = (gain[::-1] != 0.0) & (step[::-1] < settings.step_both * step)
        gain[(step <= settings.step_least) | alone] = 0.0
        best, i = (int(k) for k in np.unravel_index(int(gain.argmax()), gain.shape))
        if gain[best, i] > settings.step_sure**2:
            # Other places that explain the edges as well, each by its likelihood.
            share = np.exp(0.5 * (gain.max(axis=0) - gain[best, i]))
            sd = np.sqrt(share @ np.square(along[tried] - along[tried[i]]) / share.sum())
            at = tried[i]
            return EdgeStep(places[at], directions[at], float(step[best, i]), float(sd))
    return None


def at_edge_step(
    dark: Plane, corner: tuple[int, int], line: Array, fit: TipFit, settings: TipSettings = TIP
) -> TipFit:
    """A tip that something joins, moved to the step of the line's edge.

    Parameters
    ----------
    dark : (h, w) relative darkness; corner : u, v of its first pixel [px].
    line : (M, 2) [px] the line's middle from the dark end inward.

    Returns
    -------
    The fit at the step, `TipFit.moved` [px] from where it was, its deviation by the step's size.
    Where there is no step the tip stays and `moved` is nan.
    """
    found = edge_step(dark, corner, line, fit.width, settings=settings)
    if found is None:
        return replace(
            fit,
            covariance=fit.covariance + settings.step_unseen_sd**2 * np.eye(2),
            moved=float("nan"),
        )
    sd = float(
        np.clip(settings.step_unit_sd / found.step, settings.step_best_sd, settings.step_worst_sd)
    )
    # A round end lets the edge step up to 0.8 of its half width later; `pooled` allows for it where
    # other frames tell the record's roundness.
    along = float((found.uv - fit.uv) @ fit.direction)
    straight = abs(along) < settings.step_straight
    direction = fit.direction if straight else found.direction
    pull = -0.4 * fit.width * direction
    own = (sd**2 + found.along_sd**2) * np.eye(2)
    return replace(
        fit,
        uv=fit.uv + along * fit.direction if straight else found.uv,
        direction=direction,
        covariance=own + settings.fit_round_sd**2 * np.outer(pull, pull),
        roundness=0.0,
        roundness_sd=settings.fit_round_sd,
        pull=pull,
        moved=abs(along),
    )


def credible(fits: list[TipFit], tufted: bool, settings: TipSettings = TIP) -> NDArray[np.bool_]:
    """(P,) which tips of one record count: where there are strands, only those at a step.

    There are strands where the line is stated as tufted, or where in one frame a clear step lay
    further than `step_far` [px] within a dark end.
    """
    moved = np.array([0.0 if f.moved is None else f.moved for f in fits])
    clear = np.array([f.sd < settings.step_clear_sd for f in fits], dtype=bool)
    strands = tufted or bool((clear & (moved > settings.step_far)).any())
    return np.array([f.certain or not strands for f in fits], dtype=bool)


def _axis(line: Array, settings: TipSettings) -> tuple[Array, Array, Array] | None:
    """Distance (S,) [px] from the dark end, outward positive; places and directions (S, 2).

    A cubic through the line's middle, so that a front beside the line does not bend it; straight
    on beyond the end. None where too little of the line is seen.
    """
    line = line[: int(settings.step_back + settings.step_before) + 12]
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    if arc[-1] < 2.0 * settings.step_before:
        return None
    curve = np.polyfit(-arc, line, 3)
    along = np.arange(
        np.ceil(2.0 * max(-settings.step_back - settings.step_before, -arc[-1])) / 2.0,
        settings.step_ahead + settings.step_after + 0.25,
        0.5,
    )
    inside = np.minimum(along, 0.0)[:, None]
    directions = (3.0 * curve[0] * inside + 2.0 * curve[1]) * inside + curve[2]
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    places = ((curve[0] * inside + curve[1]) * inside + curve[2]) * inside + curve[3]
    return along, places + np.maximum(along, 0.0)[:, None] * directions, directions


def _turned(directions: Array) -> Array:
    return np.column_stack([-directions[:, 1], directions[:, 0]])


def _edge(
    dark: Plane, places: Array, normals: Array, reach: float, settings: TipSettings
) -> tuple[Array, Array]:
    """(S,) [px] distance of one edge from the axis, up to `reach`, and share of light that lacks
    beside it.

    nan where a front is as dark as an edge.
    """
    off = np.arange(-reach, reach + 0.01, 0.25)
    cut = sampled(dark, places[:, None] + off[None, :, None] * normals[:, None])
    edge, level = np.full(len(places), np.nan), np.full(len(places), np.nan)
    core = np.where(np.abs(off) <= 2.5, 1.0, -np.inf)
    for i, row in enumerate(cut):
        middle = int(np.argmax(np.convolve(row, np.full(7, 1.0 / 7.0), mode="same") + core))
        bright = np.flatnonzero(row[middle:] < settings.step_half_dark)
        if not bright.size or bright[0] == 0:
            continue
        j = middle + int(bright[0])
        place = off[j - 1] + 0.25 * (row[j - 1] - settings.step_half_dark) / (row[j - 1] - row[j])
        beside = row[(off > place + 1.5) & (off < place + 3.5)]
        if (
            beside.size > 3
            and -settings.step_brightest < float(np.median(beside)) < settings.step_darkest
        ):
            edge[i], level[i] = place, float(np.median(beside))
    return edge, level


def _step(s: Array, edge: Array, beside: Array, settings: TipSettings) -> tuple[float, float]:
    """Step inward [px] at s = 0 beside a turn there, and by how much it lowers chi-square."""
    used = (s >= -settings.step_before) & (s <= settings.step_after) & np.isfinite(edge)
    if (used & (s < 0)).sum() < 12 or (used & (s > 0)).sum() < 8:
        return 0.0, 0.0
    near = used & (np.abs(s) <= settings.step_next)
    before, after = beside[near & (s < 0)], beside[near & (s > 0)]
    if not before.size or not after.size:
        return 0.0, 0.0
    if abs(float(np.median(before) - np.median(after))) > settings.step_alike:
        return 0.0, 0.0
    s, edge = s[used], edge[used]
    plain = np.column_stack([np.ones_like(s), s, np.maximum(s, 0.0)])
    full = np.column_stack([plain, -ndtr(s / settings.step_blur)])
    best, *_ = np.linalg.lstsq(full, edge, rcond=None)
    less, *_ = np.linalg.lstsq(plain, edge, rcond=None)
    rest = float(np.square(edge - full @ best).sum())
    noise = max(settings.step_edge_sd**2, rest / max(s.size - 4, 1))
    # Half-pixel steps share their pixels in pairs.
    return float(best[3]), 0.5 * (float(np.square(edge - plain @ less).sum()) - rest) / noise


@dataclass(frozen=True)
class TuftSeen:
    """The tuft in one frame."""

    frame: int
    width: float
    """[px] between its outermost strands at their ends"""
    width_sd: float
    shade: float
    """[px2] of light taken: an opaque sheet of that area would take as much."""
    shade_sd: float


def tuft_of(seen: TipSeen, settings: TipSettings = TIP) -> TuftSeen | None:
    """The tuft beyond a tip; None where there is none, or it leaves the picture."""
    ahead = seen.fit.direction
    side = np.array([-ahead[1], ahead[0]])
    reach = float(min(seen.dark.shape) // 2)
    s = np.arange(settings.tuft_start, reach)
    n = np.arange(-reach // 2, reach // 2 + 1)
    spots = seen.fit.uv - np.asarray(seen.corner) + s[:, None, None] * ahead
    spots = spots + n[None, :, None] * side
    # Beyond the picture, and where nothing is known, nothing is dark.
    dark = sampled(seen.dark, spots)
    known = np.isfinite(seen.noise)
    noise = float(np.median(seen.noise[known]))
    shade = cv2.GaussianBlur(dark, (0, 0), settings.tuft_blur)
    blurred_noise = noise / (2.0 * np.sqrt(np.pi) * settings.tuft_blur)
    limit = max(settings.tuft_sure * blurred_noise, settings.tuft_faintest)
    strands = _joined(shade > limit)
    columns = np.flatnonzero(strands.any(axis=1))
    if columns.size < settings.tuft_shortest:
        return None
    rows = strands[columns]
    first = rows.argmax(axis=1)
    last = rows.shape[1] - 1 - rows[:, ::-1].argmax(axis=1)
    if first.min() == 0 or last.max() == rows.shape[1] - 1 or columns[-1] == s.size - 1:
        return None
    width = _between(shade[columns], first, last)
    width = median_filter(width, size=min(5, columns.size), mode="nearest")
    outer = columns >= columns[0] + (1.0 - settings.tuft_part) * (columns[-1] - columns[0])
    # A fan opens evenly: a line through its outer part, read off at its end.
    slope, level = np.polyfit(columns[outer] - columns[-1], width[outer], 1)
    off = width[outer] - level - slope * (columns[outer] - columns[-1])
    if level < seen.fit.width + 1.0:
        return None  # no wider than the line: its own end, or strands that cannot be parted from it
    sd = float(np.hypot(settings.tuft_edge_sd, 1.4826 * np.median(np.abs(off))))
    area = cv2.dilate(strands.view(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    return TuftSeen(
        seen.frame,
        float(level),
        sd,
        float(dark[area].sum()),
        float(noise * np.sqrt(area.sum())),
    )


def _joined(strands: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those dark places that hang together, over gaps of two pixels, with the tip."""
    wide = cv2.dilate(strands.view(np.uint8), np.ones((5, 5), np.uint8))
    names, _ = label(wide, np.ones((3, 3)))
    middle = names.shape[1] // 2
    # Strands may leave the tip a little aside.
    root = np.unique(names[:3, middle - 4 : middle + 5])
    return np.asarray(strands & np.isin(names, root[root > 0]))


def _between(shade: NDArray, first: NDArray, last: NDArray) -> Array:
    """Distance between the darkest places of the outermost strands [px]."""
    across = np.arange(shade.shape[1])
    out = np.empty(len(shade))
    for i, (a, b) in enumerate(zip(first, last, strict=True)):
        left = slice(a, min(a + 3, b + 1))
        right = slice(max(b - 2, a), b + 1)
        low = across[left] @ shade[i, left] / shade[i, left].sum()
        high = across[right] @ shade[i, right] / shade[i, right].sum()
        out[i] = high - low
    return out


def tuft_widths(found: Iterable[TuftSeen], scale: float) -> TuftWidths:
    """Widths of the tuft in metres.

    Parameters
    ----------
    scale : [px/m] of the parallel-light projection, `shocks.image_scale`.
    """
    rows = list(found)
    return TuftWidths(
        np.array([f.frame for f in rows], dtype=np.int64),
        np.array([f.width for f in rows]) / scale,
        np.array([f.width_sd for f in rows]) / scale,
    )
