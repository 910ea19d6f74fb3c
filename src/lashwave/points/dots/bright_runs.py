"""Connected sets of bright pixels in one pass over a picture, compiled.

A picture is dark but for some thousands of its million pixels: a row is counted first, which takes
many pixels at a time, then blocks of it, and few are looked at one by one. What is bright is kept
as runs of a row; a run that touches one of the row above (8 neighbours) is of its set, and sets
that meet are one (union by the smaller root: Rosenfeld and Pfaltz, J. ACM 13 (1966) 471). Sums are
taken about a set's first pixel, so that nothing is lost to rounding.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Image, Whole

Grey = np.uint8 | np.uint16
BLOCK = 64
"""Pixels of a row that are looked at together."""
SUMS = 8
"""Of a set: light, light times u, v, uu, uv, vv about its first pixel, its brightest pixel, and
how many of its pixels are full."""
BOX = 5
"""Of a set: least u, v, greatest u, v, and how many pixels."""


@compiled(error_model="numpy")
def _root(parent: Whole, k: int) -> int:
    """The least run of a run's set, the way there shortened."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@compiled(error_model="numpy")
def _bright(part: Image, limit: Grey) -> int:
    """How many pixels of a part of a row are over a limit, many of them at a time."""
    count = 0
    for u in range(part.size):
        count += part[u] > limit
    return count


@compiled(error_model="numpy")
def _runs(image: Image, limit: Grey, surface: NDArray[np.float32]) -> tuple[Whole, Whole]:
    """Runs (R, 3) of bright pixels in raster order, row, first and last u; and where each row's
    begin, (H + 1,)."""
    height, width = image.shape
    runs = np.empty((1024, 3), np.int64)
    begins = np.zeros(height + 1, np.int64)
    count, uneven = 0, surface.size > 0
    for v in range(height):
        begins[v + 1] = count
        if not uneven and _bright(image[v], limit) == 0:
            continue
        goes_on = False
        for low in range(0, width, BLOCK):
            high = min(low + BLOCK, width)
            if not uneven and _bright(image[v, low:high], limit) == 0:
                goes_on = False
                continue
            for u in range(low, high):
                bright = image[v, u] > surface[v, u] if uneven else image[v, u] > limit
                if bright and goes_on:
                    runs[count - 1, 2] = u
                elif bright:
                    if count == len(runs):
                        runs = np.concatenate((runs, np.empty_like(runs)))
                    runs[count] = v, u, u
                    count += 1
                goes_on = bright
        begins[v + 1] = count
    return runs[:count], begins


@compiled(error_model="numpy")
def _sets(runs: Whole, begins: Whole) -> tuple[Whole, int]:
    """The set of each run, numbered by its first pixel in raster order; and how many there are."""
    parent = np.arange(len(runs))
    for v in range(1, begins.size - 1):
        above = begins[v - 1]
        for k in range(begins[v], begins[v + 1]):
            while above < begins[v] and runs[above, 2] < runs[k, 1] - 1:
                above += 1
            near = above
            while near < begins[v] and runs[near, 1] <= runs[k, 2] + 1:
                a, b = _root(parent, near), _root(parent, k)
                parent[max(a, b)] = min(a, b)
                near += 1
    count = 0
    label = np.empty(len(runs), np.int64)
    for k in range(len(runs)):
        root = _root(parent, k)
        if root == k:
            label[k] = count
            count += 1
        else:
            label[k] = label[root]
    return label, count


@compiled(error_model="numpy")
def bright_sets(
    image: Image, limit: Grey, surface: NDArray[np.float32], level: float,
    uneven: NDArray[np.float32], full: int,
) -> tuple[Whole, Array, Whole]:  # fmt: skip
    """The connected sets of pixels that are brighter than a limit.

    Parameters
    ----------
    image : (H, W). limit : [grey levels], of the image's type; surface : (H, W) in its place, or
        (0, 0).
    level : background [grey levels]; uneven : (H, W) to add to it, or (0, 0).
    full : level of a saturated pixel.

    Returns
    -------
    First pixels (B, 2) u, v [px], sums (B, SUMS) and boxes (B, BOX).
    """
    runs, begins = _runs(image, limit, surface)
    label, count = _sets(runs, begins)
    first = np.empty((count, 2), np.int64)
    sums, box = np.zeros((count, SUMS)), np.zeros((count, BOX), np.int64)
    for k in range(len(runs)):
        v, low, high = runs[k]
        b = label[k]
        if box[b, 4] == 0:
            first[b] = low, v
            box[b, :4] = low, v, high, v
        box[b, 0], box[b, 2], box[b, 3] = min(box[b, 0], low), max(box[b, 2], high), v
        box[b, 4] += high - low + 1
        y = v - first[b, 1]
        for u in range(low, high + 1):
            over = image[v, u] - level
            if uneven.size > 0:
                over -= uneven[v, u]
            x = u - first[b, 0]
            sums[b, 0] += over
            sums[b, 1] += over * x
            sums[b, 2] += over * y
            sums[b, 3] += over * x * x
            sums[b, 4] += over * x * y
            sums[b, 5] += over * y * y
            sums[b, 6] = max(sums[b, 6], over)
            sums[b, 7] += image[v, u] >= full
    return first, sums, box
