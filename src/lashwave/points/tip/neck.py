"""Where the line ends and its tuft begins, told by the edge that no front stands at.

Strands leave the tip as one bundle that is as dark as the line but thinner, so a dark end says
little; but at the tip the line's edge steps inward, by some tenths of its width at least, within
the picture's blur. That step is looked for along an edge beside which no front is dark or begins,
for that moves the edge about. A bend of the line, or strands that spread, turn
the edge but do not step.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lashwave.points.background import Plane
from lashwave.points.tip.fit import TipFit
from lashwave.points.tip.line_trace import sampled
from lashwave.quantities.arrays import Array

BACK, AHEAD = 24.0, 6.0
"""How far from a dark end the line may end: behind it, and ahead of it [px]."""
BEFORE, AFTER = 9.0, 5.0
"""Of the edge on either side of a step [px]."""
BLUR = 0.9
"""Of a step along the edge, standard deviation [px]."""
LEAST_STEP = 0.5
"""Fainter steps are the noise of strands [px]."""
SURE = 3.0
"""A step is this many of its deviations at least."""
EDGE_SD = 0.08
"""Of an edge's place [px]."""
DARKEST, BRIGHTEST = 0.2, 0.4
"""What lies beside an edge that can be told takes, or adds, this share of light at most; an edge
beside which no more is added than may be taken goes first, for glare eats into the line."""
ALIKE = 0.2
"""And is alike on both sides of a step but for this share: where a front begins, edges move."""
NEXT = 4.0
"""So far from a step [px]."""
HALF_DARK = 0.5
"""Share of light lacking at an edge."""


TOLD_SD, BEST_SD, WORST_SD = 1.2, 0.8, 2.2
"""A tip at a step of 1 px is good to [px], at others as much better as they are greater, within
these; measured on rendered throws."""
STRAIGHT = 12.0
"""The fitted direction holds over this length [px]; a cubic along the line's middle beyond, which a
front that darkens one side bends by up to 2 px."""
FAR, CLEAR_SD = 3.0, 2.0
"""A record has strands where they are as dark as the line over this length [px] in a frame whose
step is clear: good to this [px]."""
UNTOLD_SD = 2.4
"""Of a tip about which no step is seen, measured likewise: strands may lie within it [px]."""


@dataclass(frozen=True)
class Neck:
    """A step of the line's edge inward."""

    uv: Array
    """(2,) [px] on the line's axis."""
    direction: Array
    """(2,) unit vector along the axis, outward."""
    step: float
    """[px]"""


def neck(dark: Plane, corner: tuple[int, int], line: Array) -> Neck | None:
    """The clearest step inward of either edge about a dark end; None where there is none.

    Parameters
    ----------
    dark : (h, w) relative darkness, of which u, v of the first pixel are `corner`.
    line : (M, 2) [px] the line's middle, about a pixel apart, from the dark end inward.
    """
    axis = _axis(line)
    if axis is None:
        return None
    along, places, directions = axis
    normals = _turned(directions)
    sides = [_edge(dark, places - np.asarray(corner), k * normals) for k in (1.0, -1.0)]
    for brightest in (DARKEST, BRIGHTEST):
        best, gain = None, SURE**2
        for edge, beside in sides:
            clear = np.where(beside > -brightest, edge, np.nan)
            for at in np.flatnonzero((along >= -BACK) & (along <= AHEAD)):
                step, better = _step(along - along[at], clear, beside)
                if step > LEAST_STEP and better > gain:
                    best, gain = Neck(places[at], directions[at], step), better
        if best is not None:
            return best
    return None


def at_neck(dark: Plane, corner: tuple[int, int], line: Array, fit: TipFit) -> TipFit:
    """A tip that something joins, at the step of the line's edge; `TipFit.moved` says how far.

    Its deviation is by what the step tells; where there is none the tip stays, in doubt.
    """
    found = neck(dark, corner, line)
    if found is None:
        return replace(
            fit, covariance=fit.covariance + UNTOLD_SD**2 * np.eye(2), moved=float("nan")
        )
    sd = float(np.clip(TOLD_SD / found.step, BEST_SD, WORST_SD))
    along = float((found.uv - fit.uv) @ fit.direction)
    straight = abs(along) < STRAIGHT
    return replace(
        fit,
        uv=fit.uv + along * fit.direction if straight else found.uv,
        direction=fit.direction if straight else found.direction,
        covariance=sd**2 * np.eye(2),
        moved=abs(along),
    )


def believed(fits: list[TipFit], tufted: bool) -> NDArray[np.bool_]:
    """Which tips of one record to believe: where there are strands, none that no step tells.

    The line is said to be tufted, or a clear step lay further than `FAR` within a dark end.
    """
    moved = np.array([0.0 if f.moved is None else f.moved for f in fits])
    clear = np.array([f.sd < CLEAR_SD for f in fits], dtype=bool)
    strands = tufted or bool((clear & (moved > FAR)).any())
    return np.array([f.told or not strands for f in fits], dtype=bool)


def _axis(line: Array) -> tuple[Array, Array, Array] | None:
    """Distance (S,) [px] from the dark end, outward positive; places and directions (S, 2).

    A cubic through the line's middle, so that a front beside the line does not bend it; straight
    on beyond the end. None where too little of the line is seen.
    """
    line = line[: int(BACK + BEFORE) + 12]
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    if arc[-1] < 2.0 * BEFORE:
        return None
    curve = np.polyfit(-arc, line, 3)
    along = np.arange(np.ceil(2.0 * max(-BACK - BEFORE, -arc[-1])) / 2.0, AHEAD + AFTER + 0.25, 0.5)
    inside = np.minimum(along, 0.0)[:, None]
    directions = (3.0 * curve[0] * inside + 2.0 * curve[1]) * inside + curve[2]
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    places = ((curve[0] * inside + curve[1]) * inside + curve[2]) * inside + curve[3]
    return along, places + np.maximum(along, 0.0)[:, None] * directions, directions


def _turned(directions: Array) -> Array:
    return np.column_stack([-directions[:, 1], directions[:, 0]])


def _edge(dark: Plane, places: Array, normals: Array) -> tuple[Array, Array]:
    """(S,) [px] distance of one edge from the axis, and share of light that lacks beside it.

    nan where a front is as dark as an edge.
    """
    off = np.arange(-9.0, 9.01, 0.25)
    cut = sampled(dark, places[:, None] + off[None, :, None] * normals[:, None])
    edge, level = np.full(len(places), np.nan), np.full(len(places), np.nan)
    core = np.where(np.abs(off) <= 2.5, 1.0, -np.inf)
    for i, row in enumerate(cut):
        middle = int(np.argmax(np.convolve(row, np.full(7, 1.0 / 7.0), mode="same") + core))
        bright = np.flatnonzero(row[middle:] < HALF_DARK)
        if not bright.size or bright[0] == 0:
            continue
        j = middle + int(bright[0])
        place = off[j - 1] + 0.25 * (row[j - 1] - HALF_DARK) / (row[j - 1] - row[j])
        beside = row[(off > place + 1.5) & (off < place + 3.5)]
        if beside.size > 3 and -BRIGHTEST < float(np.median(beside)) < DARKEST:
            edge[i], level[i] = place, float(np.median(beside))
    return edge, level


def _step(s: Array, edge: Array, beside: Array) -> tuple[float, float]:
    """Step inward [px] at s = 0 beside a turn there, and by how much it lowers chi-square."""
    used = (s >= -BEFORE) & (s <= AFTER) & np.isfinite(edge)
    if (used & (s < 0)).sum() < 12 or (used & (s > 0)).sum() < 8:
        return 0.0, 0.0
    near = used & (np.abs(s) <= NEXT)
    before, after = beside[near & (s < 0)], beside[near & (s > 0)]
    if not before.size or not after.size:
        return 0.0, 0.0
    if abs(float(np.median(before) - np.median(after))) > ALIKE:
        return 0.0, 0.0
    s, edge = s[used], edge[used]
    plain = np.column_stack([np.ones_like(s), s, np.maximum(s, 0.0)])
    full = np.column_stack([plain, -ndtr(s / BLUR)])
    best, *_ = np.linalg.lstsq(full, edge, rcond=None)
    less, *_ = np.linalg.lstsq(plain, edge, rcond=None)
    rest = float(np.square(edge - full @ best).sum())
    noise = max(EDGE_SD**2, rest / max(s.size - 4, 1))
    # Half-pixel steps share their pixels in pairs.
    return float(best[3]), 0.5 * (float(np.square(edge - plain @ less).sum()) - rest) / noise
