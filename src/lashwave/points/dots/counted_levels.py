"""Medians and noise of 8-bit pictures by counting levels, compiled: no sample is sorted.

A picture of 8 bits has 256 levels, and neighbours differ by one of 256 sizes. So each sample raises
one count, and medians and sums of squares are read off the counts: the numbers that sorting gives.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Image, Whole

LEVELS = 256
SKIP = 5
"""Every fifth difference counts for the first guess of the noise."""


@compiled(error_model="numpy")
def median_of_counts(counts: Whole, first: int) -> float:
    """The median [grey levels] of whole numbers that stand counted, (K,), from `first` on."""
    total = 0
    for k in range(counts.size):
        total += counts[k]
    low, high = (total - 1) // 2, total // 2
    seen, lower, upper = 0, 0, 0
    for k in range(counts.size):
        if seen <= low < seen + counts[k]:
            lower = k
        if seen <= high < seen + counts[k]:
            upper = k
        seen += counts[k]
    return first + 0.5 * (lower + upper)


@compiled(error_model="numpy")
def tile_medians(image: Image, step: int, tile: int) -> tuple[Array, int]:
    """Median levels [grey levels] of tiles (rows, columns), and how many samples are 0.

    Every `step`-th pixel each way is a sample, `tile` of them each way a tile.
    """
    start = step // 2
    rows = ((image.shape[0] - start + step - 1) // step) // tile
    columns = ((image.shape[1] - start + step - 1) // step) // tile
    medians, dark = np.empty((rows, columns)), 0
    counts = np.zeros((columns, LEVELS), np.int64)
    for i in range(rows):
        counts[:] = 0
        for r in range(i * tile, (i + 1) * tile):
            v, u = start + r * step, start
            for j in range(columns):
                for _ in range(tile):
                    counts[j, image[v, u]] += 1
                    u += step
        for j in range(columns):
            medians[i, j] = median_of_counts(counts[j], 0)
            dark += counts[j, 0]
    return medians, dark


@compiled(error_model="numpy")
def counted_spread(image: Image, step: int, clip: float, clipped_sd: float) -> float:
    """Standard deviation [grey levels] of samples less the pixel to their left.

    What is further off than `clip` of it is left out, which `clipped_sd` makes good.
    """
    start, number = step // 2, 0
    every, few = np.zeros(LEVELS, np.int64), np.zeros(LEVELS, np.int64)
    for v in range(start, image.shape[0], step):
        for u in range(start, image.shape[1], step):
            off = abs(np.int64(image[v, u]) - np.int64(image[v, u - 1]))
            every[off] += 1
            if number % SKIP == 0:
                few[off] += 1
            number += 1
    spread = max(1.4826 * median_of_counts(few, 0), 0.7)
    for _ in range(3):
        total, square = 0.0, 0.0
        for k in range(LEVELS):
            if k < clip * spread:
                total += every[k]
                square += every[k] * float(k * k)
        spread = max(np.sqrt(square / total) / clipped_sd, 0.3)
    return spread
