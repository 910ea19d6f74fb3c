"""The tuft: loose strands beyond the line's end, how wide they stand and how much light they take.

The picture past the tip is straightened along the line's direction. In each column the strands
reach from the first to the last dark place; the width is that at the fan's end. Strands thinner
than a pixel still take light: the shade counts them all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, median_filter

from lashwave.points.tip.find import TipSeen
from lashwave.points.tip.line_trace import sampled
from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import TuftWidths

START = 4.0
"""Nearer to the tip than this the line's own blurred end is seen [px]."""
SURE = 4.0
"""A strand is darker than this many noise sd, after a blur of 0.7 px."""
FAINTEST = 0.06
"""And than this share of light."""
SHORTEST = 12
"""Columns that a tuft fills at least [px]."""
PART = 0.6
"""Share of its length, the outer, that the width is taken from."""
EDGE_SD = 0.5
"""What a fan's last column and its outermost strands' places are good to [px]."""


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


def tuft(seen: TipSeen) -> TuftSeen | None:
    """The tuft beyond a tip; None where there is none, or it leaves the picture."""
    ahead = seen.fit.direction
    side = np.array([-ahead[1], ahead[0]])
    reach = float(min(seen.dark.shape) // 2)
    s = np.arange(START, reach)
    n = np.arange(-reach // 2, reach // 2 + 1)
    spots = seen.fit.uv - np.asarray(seen.corner) + s[:, None, None] * ahead
    spots = spots + n[None, :, None] * side
    # Beyond the picture, and where nothing is known, nothing is dark.
    dark = sampled(seen.dark, spots)
    known = np.isfinite(seen.noise)
    noise = float(np.median(seen.noise[known]))
    shade = cv2.GaussianBlur(dark, (0, 0), 0.7)
    strands = _joined(shade > max(SURE * noise / (2.0 * np.sqrt(np.pi) * 0.7), FAINTEST))
    columns = np.flatnonzero(strands.any(axis=1))
    if columns.size < SHORTEST:
        return None
    rows = strands[columns]
    first = rows.argmax(axis=1)
    last = rows.shape[1] - 1 - rows[:, ::-1].argmax(axis=1)
    if first.min() == 0 or last.max() == rows.shape[1] - 1 or columns[-1] == s.size - 1:
        return None
    width = _between(shade[columns], first, last)
    width = median_filter(width, size=min(5, columns.size), mode="nearest")
    outer = columns >= columns[0] + (1.0 - PART) * (columns[-1] - columns[0])
    # A fan opens evenly: a line through its outer part, read off at its end.
    slope, level = np.polyfit(columns[outer] - columns[-1], width[outer], 1)
    off = width[outer] - level - slope * (columns[outer] - columns[-1])
    if level < seen.fit.width + 1.0:
        return None  # no wider than the line: its own end, or strands that cannot be told apart
    sd = float(np.hypot(EDGE_SD, 1.4826 * np.median(np.abs(off))))
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


def widths(found: Iterable[TuftSeen], scale: float) -> TuftWidths:
    """Widths in metres.

    Parameters
    ----------
    scale : [px/m] of the parallel-light projection, `fronts.image_scale`.
    """
    rows = list(found)
    return TuftWidths(
        np.array([f.frame for f in rows], dtype=np.int64),
        np.array([f.width for f in rows]) / scale,
        np.array([f.width_sd for f in rows]) / scale,
    )
