"""What the tensions explain of one time's rows, one dense row a link, to be taken off again.

With A the tensions' columns and L L' = A' A (tridiagonal), rows G projected normal to A have the
products G' G - W' W, W = L^-1 A' G (Golub and Van Loan 2013, sections 4.3 and 5.3). Row j of W
depends on links up to j + 2 alone, and L on its neighbour alone, so W is found going outward.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.blocks import L, N, T, call
from lashwave.estimate.local_rows import WIDE
from lashwave.mechanics import compiled
from lashwave.quantities import Array, Whole

SLAB = 20
"""Links whose rows are multiplied at a time, with the columns that they reach."""


@compiled()
def place_of(j: int, s: int, links: int) -> int:
    """Row that link j has in a time's store, from the centre whose time number s it is."""
    first = j // SLAB * SLAB
    return 3 * first + s * min(SLAB, links - first) + j - first


@compiled()
def _pulled(row: Array, far: Array, up: Array, down: Array, j: int, s: int, out: Array) -> None:
    """A' G of link j: up (3,) of row j less down (3,) of row j + 1, as a row of time s (n,)."""
    g = np.zeros(3)
    for b in range(3):
        for a in range(3):
            g[b] += up[a] * row[j, a, WIDE * s + b] - down[a] * row[j + 1, a, WIDE * s + b]
    reach = 3 + 2 * max(j - 2, 0)
    for p in range(reach):
        out[p] = g[0] * far[0, p] + g[1] * far[1, p] + g[2] * far[2, p]
    for m in range(-2, 3):
        column = 3 + 2 * (j + m)
        if column < 3 or column >= far.shape[1]:
            continue
        for e in range(2):
            value = 0.0
            for a in range(3):
                if m < 2:
                    value += up[a] * row[j, a, WIDE * s + 7 + 2 * m + e]
                if m > -2:
                    value -= down[a] * row[j + 1, a, WIDE * s + 5 + 2 * m + e]
                else:
                    for b in range(3):
                        lever = row[j + 1, a, WIDE * s + b] * far[b, column + e]
                        value -= down[a] * lever
            out[column + e] = value


@compiled()
def tension_rows(
    row: Array,
    far: Array,
    mean: Array,
    weight: Array,
    first: int,
    last: int,
    store: Array,
    slots: Whole,
    shared: int,
) -> None:
    """Put W of one centre's rows (N + 1, 3, ...) [sd/rad] into its times' stores (3 N, n + shared).

    far : `far_moves` by slot; mean (N, 3), directions in which links first ... last - 1 pull;
    weight (N + 1,) of the nodes; slots (3,) of the times. The columns of what is shared follow.
    """
    links, n = mean.shape[0], far.shape[2]
    up, down = np.zeros(3), np.zeros(3)
    before = 0.0
    for j in range(links):
        for s in range(3):
            store[slots[s], place_of(j, s, links)] = 0.0
        if j < first or j >= last:
            continue
        diagonal, couple = 0.0, 0.0
        for a in range(3):
            up[a], down[a] = weight[j] * mean[j, a], weight[j + 1] * mean[j, a]
            diagonal += up[a] ** 2 + down[a] ** 2
            if j > first:
                couple -= weight[j] * mean[j - 1, a] * up[a]
        couple = couple / before if j > first else 0.0
        before = np.sqrt(diagonal - couple**2)
        over = 1.0 / before  # a row's numbers are divided by it before they are formed
        for a in range(3):
            up[a] *= over
            down[a] *= over
        reach = 3 + 2 * min(j + 3, links)
        for s in range(3):
            out = store[slots[s], place_of(j, s, links)]
            _pulled(row, far[slots[s]], up, down, j, s, out)
            for q in range(shared):
                for a in range(3):
                    out[n + q] += up[a] * row[j, a, 3 * WIDE + q]
                    out[n + q] -= down[a] * row[j + 1, a, 3 * WIDE + q]
            if j > first:
                inside = store[slots[s], place_of(j - 1, s, links)]
                for p in range(reach):
                    out[p] -= over * couple * inside[p]
                for p in range(n, n + shared):
                    out[p] -= over * couple * inside[p]


@compiled()
def take_off(
    memory: Array, deep: int, start: int, own: Array, other: Array, apart: int, n: int, blas: Whole
) -> None:
    """Take products of W off a band's block; no unit.

    own : (3 N, n + q) of the columns' time; other : of the time `apart` times later.
    memory, deep, start : as in `gram.write_block`.
    """
    links, wide = own.shape[0] // 3, own.shape[1]
    block = memory[start:]
    for first in range(0, links, SLAB):
        rows = min(SLAB, links - first)
        reach = 3 + 2 * min(first + rows + 2, links)
        a, many = own[3 * first], (3 - apart) * rows
        if apart == 0:
            call(blas[1], (L, N, reach, many, -1.0, a, wide, 1.0, block, deep - 1))
        else:
            b = other[3 * first + apart * rows]
            call(
                blas[0],
                (N, T, reach, reach, many, -1.0, b, wide, a, wide, 1.0, block, deep - 1),
            )
