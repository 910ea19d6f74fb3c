"""Connected sets of bright pixels in one pass over a picture, compiled.

A picture is dark but for some thousands of its million pixels: the brightest of each column in a
strip of rows is taken first, which takes many pixels at a time, and only columns with something
bright in them are looked at pixel by pixel. What is bright is kept
as runs of a row; a run that touches one of the row above (8 neighbours) is of its set, and sets
that meet are one (union by the smaller root: Rosenfeld and Pfaltz, J. ACM 13 (1966) 471). Sums are
taken about a set's first pixel, so that nothing is lost to rounding.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Image, Mask, Whole

Grey = np.uint8 | np.uint16
STRIP = 8
"""Rows that are looked at together."""
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


def column_maxima(image: Image) -> Image:
    """(S, W) brightest pixel [grey levels] of each column in every strip of `STRIP` rows.

    The library compares 32 pixels of 8 bits at a time.
    """
    whole = len(image) // STRIP
    cut = image[: whole * STRIP].reshape(whole, STRIP, image.shape[1]).max(axis=1)
    rest = image[whole * STRIP :]
    return np.concatenate([cut, rest.max(axis=0)[None]]) if len(rest) else cut


@compiled(error_model="numpy")
def _runs(
    image: Image, strips: Image, limit: Grey, surface: NDArray[np.float32]
) -> tuple[Whole, Whole]:
    """Runs (R, 3) of bright pixels in raster order, row, first and last u; and where each row's
    begin, (H + 1,)."""
    height, width = image.shape
    runs = np.empty((1024, 3), np.int64)
    begins, columns = np.zeros(height + 1, np.int64), np.empty(width, np.int64)
    count, uneven = 0, surface.size > 0
    for s in range(len(strips)):
        some = 0
        for u in range(width):
            if strips[s, u] > limit:
                columns[some] = u
                some += 1
        for v in range(s * STRIP, min((s + 1) * STRIP, height)):
            last = -2
            for k in range(some):
                u = columns[k]
                if not (image[v, u] > surface[v, u] if uneven else image[v, u] > limit):
                    continue
                if last == u - 1:
                    runs[count - 1, 2] = u
                else:
                    if count == len(runs):
                        runs = np.concatenate((runs, np.empty_like(runs)))
                    runs[count] = v, u, u
                    count += 1
                last = u
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
    image: Image, strips: Image, limit: Grey, surface: NDArray[np.float32], level: float,
    uneven: NDArray[np.float32], full: int,
) -> tuple[Whole, Array, Whole]:  # fmt: skip
    """The connected sets of pixels that are brighter than a limit.

    Parameters
    ----------
    image : (H, W); strips : its `column_maxima`. limit : [grey levels], of the image's type;
        surface : (H, W) in its place and nowhere below it, or (0, 0).
    level : background [grey levels]; uneven : (H, W) to add to it, or (0, 0).
    full : level of a saturated pixel.

    Returns
    -------
    First pixels (B, 2) u, v [px], sums (B, SUMS) and boxes (B, BOX).
    """
    runs, begins = _runs(image, strips, limit, surface)
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


@compiled(error_model="numpy")
def fill_cutouts(
    image: Image, uneven: NDArray[np.float32], middle: Whole, full: int, grey: Array, used: Mask
) -> None:
    """Fill in levels (D, n, n) [grey levels] about middles (D, 2) [px], and which pixels are on the
    sensor and below a level that is full.

    uneven : (H, W) to take off the levels, or (0, 0). Beyond the edge the nearest pixel stands.
    """
    height, width = image.shape
    half = grey.shape[1] // 2
    for d in range(len(middle)):
        for i in range(grey.shape[1]):
            row = middle[d, 1] - half + i
            v = min(max(row, 0), height - 1)
            for j in range(grey.shape[2]):
                column = middle[d, 0] - half + j
                u = min(max(column, 0), width - 1)
                grey[d, i, j] = image[v, u]
                used[d, i, j] = row == v and column == u and image[v, u] < full
                if uneven.size > 0:
                    grey[d, i, j] -= uneven[v, u]
