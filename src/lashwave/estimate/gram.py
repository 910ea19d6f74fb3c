"""Products of rows, formed where rows are short and carried to the links' angles by sums.

Rows at one node (`local_rows`) give a small square, FAR and window against FAR and window. A link
moves all places well beyond it alike, so of two links the inner one meets the outer one's rows
through three numbers a column: sums, from the tip inward, of the squares' far parts. Only links
next to each other meet in rows of which both windows hold them.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.local_rows import WIDE
from lashwave.mechanics import compiled
from lashwave.quantities import Array, Whole

FULL = 4
"""Links apart from which on the inner one is beyond the windows of all the outer one's rows."""


@compiled()
def add_products(row: Array, squares: Array, edge: Array, slots: Whole) -> None:
    """Add products of rows (N + 1, R, 3 WIDE + laws + 1) at the nodes to those of the three times.

    squares (3, 3, N + 1, WIDE, WIDE), by slot of a time and by how many times later the second is;
    edge (3, N + 1, WIDE, Q + 1), products with what is shared, the laws first, and the residual;
    slots (3,) of the times. All are products of whitened rows, no unit of their own.
    """
    nodes, rows, wide = row.shape
    laws = wide - 3 * WIDE - 1
    for i in range(nodes):
        for s in range(3):
            for r in range(rows):
                one = row[i, r]
                for u in range(WIDE - 1):
                    value = one[WIDE * s + u]
                    if value == 0.0:
                        continue
                    for later in range(3 - s):
                        out = squares[slots[s], later, i, u]
                        for v in range(WIDE):
                            out[v] += value * one[WIDE * (s + later) + v]
                    out = edge[slots[s], i, u]
                    for v in range(laws):
                        out[v] += value * one[3 * WIDE + v]
                    out[-1] += value * one[-1]


@compiled()
def add_sighting(
    row: Array,
    i: int,
    columns: Whole,
    values: Array,
    rhs: float,
    squares: Array,
    edge: Array,
    slots: Whole,
) -> None:
    """The same of a single row (3 WIDE,), no unit, at node i.

    columns (6,), values (6,) : what it says of some shared parameters; rhs : its residual.
    """
    for s in range(3):
        for u in range(WIDE - 1):
            value = row[WIDE * s + u]
            if value == 0.0:
                continue
            for later in range(3 - s):
                out = squares[slots[s], later, i, u]
                for v in range(WIDE):
                    out[v] += value * row[WIDE * (s + later) + v]
            edge[slots[s], i, u, -1] += value * rhs
            for q in range(columns.size):
                if columns[q] >= 0:
                    edge[slots[s], i, u, columns[q]] += value * values[q]


@compiled()
def _sums(part: Array) -> Array:
    """Sums (N + 5, ...) of part (N + 1, ...) from each node on; 0 beyond the last."""
    out = np.zeros((part.shape[0] + 4, *part.shape[1:]))
    for i in range(part.shape[0] - 1, -1, -1):
        out[i] = out[i + 1] + part[i]
    return out


@compiled()
def _meetings(square: Array, total: Array, far: Array, flip: bool) -> Array:
    """What a link well inside meets of the links' rows: (FULL + 1, 3, n), by how far inside.

    square (N + 1, WIDE, WIDE), total = `_sums` of its far part; far : `far_moves` of the outer
    link's time. Its rows stand second in the squares, first with `flip`.
    """
    n = far.shape[1]
    nodes = square.shape[0]
    out = np.zeros((FULL + 1, 3, n))
    for a in range(3):
        for b in range(3):
            out[FULL, a, b] = total[0, b, a] if flip else total[0, a, b]
    for j in range((n - 3) // 2):
        for e in range(2):
            column = 3 + 2 * j + e
            for a in range(3):
                value = 0.0
                for b in range(3):
                    own = total[j + 3, b, a] if flip else total[j + 3, a, b]
                    value += own * far[b, column]
                out[0, a, column] = value
                for d in range(1, FULL + 1):
                    i, v = j + 3 - d, 1 + 2 * d + e
                    if 0 <= i < nodes:
                        value += square[i, v, a] if flip else square[i, a, v]
                    out[d, a, column] = value
    return out


@compiled()
def _near(square: Array, j: int, m: int) -> Array:
    """What links j (first) and m (second) say in rows of which both windows hold them: (2, 2)."""
    out = np.zeros((2, 2))
    for i in range(max(0, j - 1, m - 1), min(j, m) + 3):
        if i < square.shape[0]:
            for e in range(2):
                for f in range(2):
                    out[e, f] += square[i, 3 + 2 * (j - i + 2) + e, 3 + 2 * (m - i + 2) + f]
    return out


@compiled()
def write_block(
    memory: Array, deep: int, start: int, square: Array, far: Array, later: Array, same: bool
) -> None:
    """Products, no unit, of one time's columns with those of a later time, or its own, into a band.

    memory, deep : the band as it lies, and its height; start : where the first column's entry with
    the later time's first unknown lies. far, later : `far_moves` (3, n) of both times. Of a time
    with itself only the lower triangle is written.
    """
    n = far.shape[1]
    links = (n - 3) // 2
    total = _sums(square[:, :3, :3])
    outer = _meetings(square, total, later, False)  # rows further out than the column's link
    inner = outer if same else _meetings(square, total, far, True)
    for c in range(n):
        column = memory[start + c * (deep - 1) : start + c * (deep - 1) + n]
        j = (c - 3) // 2 if c >= 3 else -FULL
        first = c if same else 0
        x, y, z = far[0, c], far[1, c], far[2, c]
        for p in range(max(first, 3 + 2 * (j + FULL)), n):
            column[p] = x * outer[FULL, 0, p] + y * outer[FULL, 1, p] + z * outer[FULL, 2, p]
        if j < 0:
            for p in range(first, 3):
                column[p] = outer[FULL, c, p]
            continue
        x, y, z = inner[FULL, 0, c], inner[FULL, 1, c], inner[FULL, 2, c]
        for p in range(first, 3 + 2 * max(j - FULL + 1, 0)):
            column[p] = x * later[0, p] + y * later[1, p] + z * later[2, p]
        for m in range(max(j - FULL + 1, 0), min(j + FULL, links)):
            both = _near(square, j, m)
            for f in range(2):
                p = 3 + 2 * m + f
                if p < first:
                    continue
                value = both[(c - 3) % 2, f]
                for a in range(3):
                    if m >= j:
                        value += far[a, c] * outer[m - j, a, p]
                    else:
                        value += inner[j - m, a, c] * later[a, p]
                column[p] = value


@compiled()
def write_edge(out: Array, edge: Array, far: Array) -> None:
    """Products (n, q), no unit, of one time's columns with what is shared.

    edge : (N + 1, WIDE, q).
    """
    total = _sums(edge[:, :3])
    nodes, n = edge.shape[0], far.shape[1]
    for q in range(out.shape[1]):
        for c in range(3):
            out[c, q] = total[0, c, q]
        for j in range((n - 3) // 2):
            for e in range(2):
                value = 0.0
                for a in range(3):
                    value += far[a, 3 + 2 * j + e] * total[j + 3, a, q]
                for i in range(max(0, j - 1), min(j + 3, nodes)):
                    value += edge[i, 3 + 2 * (j - i + 2) + e, q]
                out[3 + 2 * j + e, q] = value
