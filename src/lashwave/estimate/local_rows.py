"""Rows of one time in numbers that stay next to a node, where a row is short.

Written in the unknowns a row at node i is long: the node hangs on the base point and on every link
before it. But all links before i - 2 move it alike: by g times what the link's own turn does to the
places beyond it, with one g (3,) a row. So a row at node i holds, for each of three times,

    g (3,), then the coefficients of the two angles of links i - 2 ... i + 1 (8,), then a gap,

then those of the law's scales, then its residual. `whole` gives the long row.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics import compiled
from lashwave.quantities import Array

WIDE = 12
"""Numbers a time in a row, the last of them 0: a whole number of the processor's registers."""
FAR, BACK, AHEAD = 0, 1, 2
"""Of `windows`: how node i moves, how it moves from the one before, how the next one from it."""


@compiled()
def windows(D: Array) -> Array:
    """Moves (N + 1, 3, 3, 8) [m/rad] of node i and its two steps by four links' angles.

    The links are i - 2 ... i + 1.

    D : of `link_reach`, at one time.
    """
    links = D.shape[0]
    out = np.zeros((links + 1, 3, 3, 8))
    for i in range(links + 1):
        for m in range(4):
            j = i - 2 + m
            if j < 0 or j >= links:
                continue
            for a in range(3):
                for e in range(2):
                    for r in range(min(3, i + 1 - j)):  # of links j - 1 + r before node i
                        out[i, FAR, a, 2 * m + e] += D[j, r, a, e]
                    if m < 3:
                        out[i, BACK, a, 2 * m + e] = D[j, 2 - m, a, e]
                    if m > 0:
                        out[i, AHEAD, a, 2 * m + e] = D[j, 3 - m, a, e]
    return out


@compiled()
def far_moves(D: Array) -> Array:
    """Moves (3, n) [m/rad] of all places far beyond a link by its angles, and by the base's own."""
    links = D.shape[0]
    out = np.zeros((3, 3 + 2 * links))
    for a in range(3):
        out[a, a] = 1.0
        for j in range(links):
            for e in range(2):
                out[a, 3 + 2 * j + e] = D[j, 3, a, e]
    return out


@compiled()
def put_places(
    row: Array, s: int, before: Array, whole: Array, after: Array, window: Array
) -> None:
    """Into time s of a row at node i: coefficients (3,) [sd/m] of the places of nodes i - 1 and
    i + 1, and the sum of all three nodes'; window : of `windows` at i."""
    o = WIDE * s
    for a in range(3):
        row[o + a] += whole[a]
        for c in range(8):
            row[o + 3 + c] += (
                whole[a] * window[FAR, a, c]
                - before[a] * window[BACK, a, c]
                + after[a] * window[AHEAD, a, c]
            )


@compiled()
def whole(row: Array, i: int, far: Array, out: Array) -> None:
    """Add one row at node i to `out` (3 n + ...) [sd/rad], in the unknowns of the three times.

    What follows the times is not touched.

    far : (3, 3, n), `far_moves` at the three times.
    """
    n = far.shape[2]
    links = (n - 3) // 2
    for s in range(3):
        g = row[WIDE * s : WIDE * s + 3]
        for p in range(3 + 2 * max(i - 2, 0)):
            for a in range(3):
                out[s * n + p] += g[a] * far[s, a, p]
        for m in range(4):
            j = i - 2 + m
            if 0 <= j < links:
                for e in range(2):
                    out[s * n + 3 + 2 * j + e] += row[WIDE * s + 3 + 2 * m + e]
