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
    """Add products of rows (N + 1, 3, 3 WIDE + laws + 1) at the nodes to those of the three times.

    squares (3, N + 1, WIDE, 3 WIDE), by slot of a time, its WIDE numbers against those of itself
    and of the two times after it; edge (3, N + 1, WIDE, Q + 1), products with what is shared, the
    laws first, and the residual; slots (3,) of the times.
    All are products of whitened rows, no unit of their own.
    """
    laws = row.shape[2] - 3 * WIDE - 1
    for i in range(row.shape[0]):
        for s in range(3):
            a, b, c = row[i, 0, WIDE * s :], row[i, 1, WIDE * s :], row[i, 2, WIDE * s :]
            later = 3 * WIDE - WIDE * s
            end = later + laws
            for u in range(WIDE - 1):
                x, y, z = a[u], b[u], c[u]
                if x == 0.0 and y == 0.0 and z == 0.0:
                    continue
                out = squares[slots[s], i, u]
                for v in range(later):
                    out[v] += x * a[v] + y * b[v] + z * c[v]
                out = edge[slots[s], i, u]
                for v in range(laws):
                    out[v] += x * a[later + v] + y * b[later + v] + z * c[later + v]
                out[-1] += x * a[end] + y * b[end] + z * c[end]


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
        one = row[WIDE * s :]
        for u in range(WIDE - 1):
            value = one[u]
            if value == 0.0:
                continue
            out = squares[slots[s], i, u]
            for v in range(one.size):
                out[v] += value * one[v]
            edge[slots[s], i, u, -1] += value * rhs
            for q in range(columns.size):
                if columns[q] >= 0:
                    edge[slots[s], i, u, columns[q]] += value * values[q]


@compiled()
def _sums(part: Array, first: int, wide: int) -> Array:
    """Sums (N + 5, 3, wide) of part[:, :3, first : first + wide] from each node on; 0 beyond."""
    nodes = part.shape[0]
    out = np.zeros((nodes + 4, 3, wide))
    for i in range(nodes - 1, -1, -1):
        for a in range(3):
            own, beyond, here = out[i, a], out[i + 1, a], part[i, a, first:]
            for q in range(wide):
                own[q] = beyond[q] + here[q]
    return out


@compiled()
def _meetings(square: Array, at: int, total: Array, far: Array, flip: bool) -> Array:
    """What a link well inside meets of the links' rows: (FULL + 1, 3, n), by how far inside.

    square (N + 1, WIDE, 3 WIDE), from column `at` on; total = `_sums` of its far part; far :
    `far_moves` of the outer link's time. Its rows stand second in the squares, first with `flip`.
    """
    n = far.shape[1]
    nodes = square.shape[0]
    out = np.zeros((FULL + 1, 3, n))
    for a in range(3):
        for b in range(3):
            out[FULL, a, b] = total[0, b, a] if flip else total[0, a, b]
    for j in range((n - 3) // 2):
        for a in range(3):
            for e in range(2):
                column = 3 + 2 * j + e
                value = 0.0
                for b in range(3):
                    own = total[j + 3, b, a] if flip else total[j + 3, a, b]
                    value += own * far[b, column]
                out[0, a, column] = value
                for d in range(1, FULL + 1):
                    i, v = j + 3 - d, 1 + 2 * d + e
                    if 0 <= i < nodes:
                        value += square[i, v, at + a] if flip else square[i, a, at + v]
                    out[d, a, column] = value
    return out


@compiled()
def _neighbours(square: Array, at: int, links: int) -> Array:
    """What links say in rows of which both windows hold them: (N, 2, 4 FULL - 2).

    Of the first link's two angles with both of the links FULL - 1 before it to as many after it.
    """
    out = np.zeros((links, 2, 4 * FULL - 2))
    for i in range(square.shape[0]):
        for m in range(FULL):
            j = i - 2 + m
            if j < 0 or j >= links:
                continue
            for e in range(2):
                own, here = out[j, e, 2 * (FULL - 1 - m) :], square[i, 3 + 2 * m + e, at + 3 :]
                for v in range(2 * FULL):
                    own[v] += here[v]
    return out


@compiled()
def write_block(
    memory: Array, deep: int, start: int, square: Array, apart: int, far: Array, later: Array
) -> None:
    """Products, no unit, of one time's columns with those of the time `apart` later into a band.

    memory, deep : the band as it lies, and its height; start : where the first column's entry with
    the later time's first unknown lies. square (N + 1, WIDE, 3 WIDE); far, later : `far_moves`
    (3, n) of both times. Of a time with itself only the lower triangle is written.
    """
    n, at, same = far.shape[1], WIDE * apart, apart == 0
    links = (n - 3) // 2
    total = _sums(square, at, 3)
    outer = _meetings(square, at, total, later, False)  # rows further out than the column's link
    inner = outer if same else _meetings(square, at, total, far, True)
    near = _neighbours(square, at, links)
    for c in range(3):
        column = memory[start + c * (deep - 1) : start + c * (deep - 1) + n]
        for p in range(c if same else 0, n):
            column[p] = outer[FULL, c, p]
    for c in range(3, n):
        j, e = (c - 3) // 2, (c - 3) % 2
        column = memory[start + c * (deep - 1) : start + c * (deep - 1) + n]
        first, last = 3 + 2 * max(j - FULL + 1, 0), 3 + 2 * min(j + FULL, links)
        if not same:
            x, y, z = inner[FULL, 0, c], inner[FULL, 1, c], inner[FULL, 2, c]
            _combine(column[:first], x, later[0], y, later[1], z, later[2])
        x, y, z = far[0, c], far[1, c], far[2, c]
        for p in range(max(first, c) if same else first, last):
            m = (p - 3) // 2
            value = near[j, e, p - 3 - 2 * j + 2 * (FULL - 1)]
            if m >= j:
                d = m - j
                value += x * outer[d, 0, p] + y * outer[d, 1, p] + z * outer[d, 2, p]
            else:
                for a in range(3):
                    value += inner[j - m, a, c] * later[a, p]
            column[p] = value
        beyond = outer[FULL, :, last:]
        _combine(column[last:], x, beyond[0], y, beyond[1], z, beyond[2])


@compiled()
def _combine(
    out: Array, x: float, a: Array, y: float, b: Array, z: float, c: Array
) -> None:  # fmt: skip
    """out = x a + y b + z c, as far as out goes."""
    for p in range(out.size):
        out[p] = x * a[p] + y * b[p] + z * c[p]


@compiled()
def write_edge(out: Array, edge: Array, far: Array) -> None:
    """Products (n, q), no unit, of one time's columns with what is shared.

    edge : (N + 1, WIDE, q).
    """
    nodes, n, wide = edge.shape[0], far.shape[1], out.shape[1]
    total = _sums(edge, 0, wide)
    for c in range(3):
        for q in range(wide):
            out[c, q] = total[0, c, q]
    for c in range(3, n):
        j, e = (c - 3) // 2, (c - 3) % 2
        beyond, own = total[j + 3], out[c]
        _combine(own, far[0, c], beyond[0], far[1, c], beyond[1], far[2, c], beyond[2])
        for i in range(max(0, j - 1), min(j + 3, nodes)):
            here = edge[i, 3 + 2 * (j - i + 2) + e]
            for q in range(wide):
                own[q] += here[q]
