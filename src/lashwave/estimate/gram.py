"""From the rows of one time to its share of the normal equations, at a third of the plain cost.

Tensions are rotated out of the rows instead of projected out: the same sums of squares with one row
a link less, and node i's rows still depend on links up to i + 2 alone. The products then skip what
is zero.
"""

from __future__ import annotations

import numba as nb
import numpy as np

SLAB = 44
"""Rows multiplied at a time, of those that reach about as far along the line."""


@nb.njit(cache=True)
def _rotated(q, i, j, cosine, sine):  # type: ignore[no-untyped-def]
    """Rows i and j of q turned into one another (Givens)."""
    for k in range(q.shape[1]):
        a, b = q[i, k], q[j, k]
        q[i, k] = cosine * a + sine * b
        q[j, k] = cosine * b - sine * a


@nb.njit(cache=True)
def _local(q, t):  # type: ignore[no-untyped-def]
    """Last three rows of q (4, 4) to the direction t and two normal to it."""
    x, y, z = t / np.sqrt(t[0] ** 2 + t[1] ** 2 + t[2] ** 2)
    s = 1.0 if z >= 0 else -1.0
    a = -1.0 / (s + z)
    b = x * y * a
    q[1, 1], q[1, 2], q[1, 3] = x, y, z
    q[2, 1], q[2, 2], q[2, 3] = 1.0 + s * x * x * a, s * b, -s * x
    q[3, 1], q[3, 2], q[3, 3] = b, s + y * y * a, -y


@nb.njit(cache=True)
def _applied(q, G, rhs, above, below, columns):  # type: ignore[no-untyped-def]
    """Row `above` and the three from `below` on, turned by q (4, 4) in some ranges of columns."""
    for r in range(columns.shape[0]):
        for p in range(columns[r, 0], columns[r, 1]):
            u, x, y, z = G[above, p], G[below, p], G[below + 1, p], G[below + 2, p]
            G[above, p] = q[0, 0] * u + q[0, 1] * x + q[0, 2] * y + q[0, 3] * z
            G[below, p] = q[1, 0] * u + q[1, 1] * x + q[1, 2] * y + q[1, 3] * z
            G[below + 1, p] = q[2, 0] * u + q[2, 1] * x + q[2, 2] * y + q[2, 3] * z
            G[below + 2, p] = q[3, 0] * u + q[3, 1] * x + q[3, 2] * y + q[3, 3] * z
    u, x, y, z = rhs[above], rhs[below], rhs[below + 1], rhs[below + 2]
    rhs[above] = q[0, 0] * u + q[0, 1] * x + q[0, 2] * y + q[0, 3] * z
    for m in range(3):
        rhs[below + m] = q[1 + m, 0] * u + q[1 + m, 1] * x + q[1 + m, 2] * y + q[1 + m, 3] * z


@nb.njit(cache=True)
def rotate_out_tensions(G, rhs, t, weight, first, last):  # type: ignore[no-untyped-def]
    """Turn whitened rows (3 (N + 1) at least, P) so that tensions reach one row a link; zero it.

    G' G, G' r and r' r of what is left are those of rows projected normal to the tensions' columns:
    an orthogonal factorisation of them (Golub and Van Loan 2013, section 5.2), from the butt on.

    t (N, 3): directions in which the links pull; weight (N + 1,): the whitening of each node, 0
    for driven nodes; links first..last - 1 carry a tension. The columns of the three times are
    n = 3 + 2 N each, then those that are shared.
    """
    links = t.shape[0]
    n = 3 + 2 * links
    columns = np.empty((4, 2), dtype=np.int64)
    columns[3] = 3 * n, G.shape[1]
    # Of link j in the first row of node j; the other two have been turned normal to its pull.
    pull = 0.0
    for j in range(first - 1, last):
        q, kept = np.eye(4), 1.0
        if j + 1 < last:
            _local(q, t[j + 1])
        for m in (2, 3, 1):
            if j < first:
                break
            down = -weight[j + 1] * (q[m, 1] * t[j, 0] + q[m, 2] * t[j, 1] + q[m, 3] * t[j, 2])
            size = np.hypot(pull, down)
            if size > 0.0:
                kept = pull / size
                _rotated(q, 0, m, kept, down / size)
                pull = size
        for s in range(3):
            columns[s] = s * n, s * n + 3 + 2 * min(j + 3, links)
        _applied(q, G, rhs, max(3 * j, 0), 3 * j + 3, columns)
        if j >= first:
            G[3 * j] = 0.0
            rhs[3 * j] = 0.0
        if j + 1 < last:
            pull = kept * weight[j + 1] * np.sqrt((t[j + 1] ** 2).sum())


@nb.njit(cache=True)
def _reaches(G, n):  # type: ignore[no-untyped-def]
    """Columns a time up to the last that each row depends on; -1 for empty rows."""
    reach = np.full(G.shape[0], -1)
    for i in range(G.shape[0]):
        for p in range(3 * n, G.shape[1]):
            if G[i, p] != 0.0:
                reach[i] = 0
        for p in range(n - 1, -1, -1):
            if G[i, p] != 0.0 or G[i, n + p] != 0.0 or G[i, 2 * n + p] != 0.0:
                reach[i] = p + 1
                break
    return reach


@nb.njit(cache=True)
def gram(G, n):  # type: ignore[no-untyped-def]
    """G' G (P, P) of rows (R, P), three times n columns and what is shared (P - 3 n).

    Only blocks on and above the diagonal of the four groups of columns are filled.
    """
    size = G.shape[1]
    out = np.zeros((size, size))
    reach = _reaches(G, n)
    order = np.argsort(reach)
    begin = np.searchsorted(reach[order], 0)
    while begin < order.size:
        end = min(begin + SLAB, order.size)
        m = reach[order[end - 1]]
        rows = np.empty((3 * m + size - 3 * n, end - begin))
        for r in range(begin, end):
            for s in range(3):
                rows[s * m : (s + 1) * m, r - begin] = G[order[r], s * n : s * n + m]
            rows[3 * m :, r - begin] = G[order[r], 3 * n :]
        for s in range(4):
            width = m if s < 3 else size - 3 * n
            part = np.dot(rows[s * m : s * m + width], rows[s * m :].T)
            for i in range(width):
                for other in range(s, 4):
                    here, there = (other - s) * m, other * n
                    for p in range(m if other < 3 else size - 3 * n):
                        out[s * n + i, there + p] += part[i, here + p]
        begin = end
    return out
