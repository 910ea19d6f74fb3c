"""Which pixels of a frame may belong to the line: dark, thin, one-sided, let in by an edge.

A pressure front bends light from one place to another: beside its dark side stands a bright one,
and across both little light is missing (Settles, Schlieren and Shadowgraph Techniques, 2001,
ch. 2). An opaque line takes light away for good. So a candidate must still be dark after a blur
that spreads a front's two sides into each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Background, Plane, darkness_noise
from lashwave.quantities.arrays import Mask

FINE, COARSE = 1.0, 3.5
"""Standard deviations of the two blurs [px]: of half a line, and of a front's two sides."""
SURE, LIKELY = 8.0, 4.0
"""Of the hysteresis [noise sd of the fine blur]."""
LEAST_DEPTH = 0.12
"""Fainter than this is air, however clean the picture [share of light]."""
SURE_DEPTH = 0.3
"""A line must take this share of light somewhere."""
NET = 0.03
"""Share of light still missing after the coarse blur: a line 2 px wide leaves 0.2."""
BESIDE = 7
"""How far from its dark side a front's bright side stands at most [px]."""
BRIGHT = 1.4
"""A line is darker than this many times the brightest spot beside it is bright."""
OPAQUE = 0.8
"""Share of the line's depth at which a pixel is the line even beside a front's glare."""
BLACK, BLACK_PIXELS = 0.6, 60
"""Share of light that a line wide enough to be told by its blackness takes, over so many pixels."""
MARGIN = 16
"""Of the picture around a region that is kept with it [px]."""
RELATIVE = 0.3
"""Share of a region's own depth under which a pixel is a front that joins the line."""
BORDER = 3
"""Nearer than this to the picture's edge, or to its window's, a line has come in [px]."""


@dataclass(frozen=True)
class Sieve:
    """What the mask of every frame of one camera needs, made once."""

    weight: Plane
    """1 where usable, 0 elsewhere."""
    fine_share: Plane
    """Of the fine blur's kernel that falls on usable pixels."""
    coarse_share: Plane
    sure: Plane
    """Thresholds on the fine blur [share of light]."""
    likely: Plane
    rim: Mask
    """Where a line may come in."""


@dataclass(frozen=True)
class Candidate:
    """A connected dark region that may be the line."""

    corner: tuple[int, int]
    """u, v of the first pixel of `mask`."""
    mask: Mask
    """(h, w), cut out of the frame."""
    rim: Mask
    """(h, w): its pixels at which it came in."""
    shade: Plane
    """(h, w) finely blurred darkness."""
    black: bool = False
    """Told by its blackness alone: what is less dark may touch it anywhere."""


def blurred(plane: NDArray, sd: float) -> Plane:
    """Gaussian blur of `sd` [px]."""
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sd, borderType=cv2.BORDER_REPLICATE))


def sieve(scene: Background) -> Sieve:
    """Thresholds and rim of one camera, from its background.

    Wires are gaps that the blur bridges; large unusable regions are beyond the window, and the
    line may come in at their edge.
    """
    weight = scene.usable.astype(np.float32)
    size = 4 * BORDER + 1
    wide = cv2.morphologyEx(
        (~scene.usable).astype(np.uint8), cv2.MORPH_OPEN, np.ones((size, size), np.uint8)
    )
    near = cv2.dilate(wide, np.ones((2 * BORDER + 1, 2 * BORDER + 1), np.uint8)).astype(bool)
    rim = near & ~wide.astype(bool)
    rim[:BORDER] = rim[-BORDER:] = True
    rim[:, :BORDER] = rim[:, -BORDER:] = True
    # White noise of sd s blurred by a Gaussian of sd g keeps s / (2 sqrt(pi) g).
    noise = blurred(darkness_noise(scene), 2.0) / np.float32(2.0 * np.sqrt(np.pi) * FINE)
    fine = np.maximum(blurred(weight, FINE), np.float32(1e-3))
    noise = noise / np.sqrt(fine)
    return Sieve(
        weight,
        fine,
        np.maximum(blurred(weight, COARSE), np.float32(1e-3)),
        np.maximum(SURE * noise, np.float32(SURE_DEPTH)).astype(np.float32),
        np.maximum(LIKELY * noise, np.float32(LEAST_DEPTH)).astype(np.float32),
        rim,
    )


def candidates(dark: Plane, filters: Sieve, least: int = 12) -> list[Candidate]:
    """Regions of one frame that may be the line, largest first.

    Parameters
    ----------
    dark : `background.darkness` of the frame.
    least : longest side of a region's box at least [px]; dust and specks are smaller.
    """
    shade = blurred(dark, FINE) / filters.fine_share
    # Too little of the kernel on good pixels is a guess, not a measurement.
    seen = filters.fine_share > 0.15
    likely = (shade > filters.likely) & seen
    if not likely.any():
        return []
    likely &= blurred(dark, COARSE) / filters.coarse_share > NET
    square = np.ones((2 * BESIDE + 1, 2 * BESIDE + 1), np.uint8)
    alone = likely & (shade > BRIGHT * np.asarray(cv2.dilate(-shade, square)))
    sure = (shade > filters.sure) & alone
    if np.count_nonzero(sure) < least:
        return []
    depth = _own_depth(shade, alone, sure)
    deepest = float(np.quantile(depth[sure], 0.5))
    likely &= (alone & (shade > depth * RELATIVE)) | (shade > OPAQUE * deepest)
    sure &= likely
    return _regions(likely, sure, shade, filters, least)


def black_regions(dark: Plane, filters: Sieve, least: int = 12) -> list[Candidate]:
    """Regions as black as the blackest in the frame, fronts and strands left out.

    Where a front or a tuft joins the line, its blackness still tells it apart: a front's dark
    side keeps some light. Only for lines wide enough (3 px) to be black in the middle.
    """
    shade = blurred(dark, FINE) / filters.fine_share
    place = shade.size - BLACK_PIXELS
    level = float(np.partition(shade, place, axis=None)[place])
    if level < BLACK:
        return []
    black = (shade > OPAQUE * level) & (filters.fine_share > 0.5)
    return _regions(black, black, shade, filters, least, True)


def _regions(
    likely: Mask, sure: Mask, shade: Plane, filters: Sieve, least: int, black: bool = False
) -> list[Candidate]:
    """Connected regions that are long enough and sure enough, largest first."""
    height_all, width_all = likely.shape
    count, labels, stats, _ = cv2.connectedComponentsWithStats(likely.view(np.uint8))
    held = np.bincount(labels[sure], minlength=count)
    found = []
    for label in np.argsort(-stats[:, cv2.CC_STAT_AREA]):
        left, top, width, height, _ = (int(x) for x in stats[label])
        if label == 0 or max(width, height) < least or held[label] < least:
            continue
        low, left_low = max(top - MARGIN, 0), max(left - MARGIN, 0)
        box = (
            slice(low, min(top + height + MARGIN, height_all)),
            slice(left_low, min(left + width + MARGIN, width_all)),
        )
        mask = labels[box] == label
        found.append(Candidate((left_low, low), mask, mask & filters.rim[box], shade[box], black))
    return found


def _own_depth(shade: Plane, likely: Mask, sure: Mask) -> Plane:
    """For each pixel of a region, how dark that region is where it is dark (its upper fifth)."""
    count, labels = cv2.connectedComponents(likely.view(np.uint8))
    depth = np.zeros(count, dtype=np.float32)
    names, values = labels[sure], shade[sure]
    for label in np.unique(names):
        depth[label] = np.quantile(values[names == label], 0.8)
    return depth[labels]
