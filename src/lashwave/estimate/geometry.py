"""A chain's places from its unknowns, and how they move with them.

Links are arcs of circles by the joints at either end, so a chord depends on its neighbours too.
"""

from __future__ import annotations

import numba as nb
import numpy as np

MOST_BENT = 1.2
"""Half of the turn along one link, at most [rad]; beyond it a chord stays."""


@nb.njit(cache=True)
def places(base, t, c):  # type: ignore[no-untyped-def]
    """Node places (K, N + 1, 3) from base points (K, 3), directions (K, N, 3), chords (K, N)."""
    count, links = c.shape
    x = np.empty((count, links + 1, 3))
    for k in range(count):
        x[k, 0] = base[k]
        for j in range(links):
            for a in range(3):
                x[k, j + 1, a] = x[k, j, a] + c[k, j] * t[k, j, a]
    return x


@nb.njit(cache=True)
def tangent_axes(t):  # type: ignore[no-untyped-def]
    """Two axes normal to each direction: (K, N, 3, 2), a smooth choice almost everywhere."""
    count, links, _ = t.shape
    E = np.empty((count, links, 3, 2))
    for k in range(count):
        for j in range(links):
            x, y, z = t[k, j]
            s = 1.0 if z >= 0 else -1.0
            a = -1.0 / (s + z)
            b = x * y * a
            E[k, j, 0, 0], E[k, j, 1, 0], E[k, j, 2, 0] = 1.0 + s * x * x * a, s * b, -s * x
            E[k, j, 0, 1], E[k, j, 1, 1], E[k, j, 2, 1] = b, s + y * y * a, -y
    return E


@nb.njit(cache=True)
def _joint(t, i, length, handle, held):  # type: ignore[no-untyped-def]
    """Angle [rad] between links i - 1 and i of directions (N, 3), and the joint's span [m]."""
    half = 0.0
    for a in range(3):
        half += 0.25 * (t[i, a] - t[i - 1, a]) ** 2
    span = 0.5 * (length[i] + length[i - 1])
    if handle == 1 and i == 1:
        span = 0.5 * length[1]
    elif held == 1 and i == length.size - 1:
        span = 0.5 * length[i - 1]
    return 2.0 * np.arcsin(min(np.sqrt(half), 1.0)), span


@nb.njit(cache=True)
def _squared_curvature(t, j, length, handle, held):  # type: ignore[no-untyped-def]
    """Mean square curvature of link j [1/m2], by the joints at either end.

    A free last link takes the mean square of a moment that falls to zero.
    """
    total = 0.0
    for i in range(max(j, 1), min(j + 2, length.size)):
        angle, span = _joint(t, i, length, handle, held)
        total += (angle / span) ** 2
    return total / (2.0 if 0 < j < length.size - 1 else 3.0)


@nb.njit(cache=True)
def chord_lengths(t, length, handle, held):  # type: ignore[no-untyped-def]
    """Chords (K, N) of links bent to arcs of a circle: l sin(x) / x, x = kappa l / 2 < MOST_BENT.

    Rigid ends keep their length.
    """
    count, links, _ = t.shape
    c = np.empty((count, links))
    for k in range(count):
        for j in range(links):
            bent = 0.5 * length[j] * np.sqrt(_squared_curvature(t[k], j, length, handle, held))
            bent = min(bent, MOST_BENT)
            rigid = (handle == 1 and j == 0) or (held == 1 and j == links - 1)
            c[k, j] = length[j]
            if not rigid and bent > 1e-6:
                c[k, j] *= np.sin(bent) / bent
    return c


@nb.njit(cache=True)
def link_reach(t, E, c, length, handle, held):  # type: ignore[no-untyped-def]
    """How places move as links turn: (K, N, 4, 3, 2), c_l t_l by the angles of direction j.

    Third axis: l = j - 1, j, j + 1 (a link's chord depends on its neighbours' directions), and the
    sum of all three.
    """
    count, links, _ = t.shape
    D = np.zeros((count, links, 4, 3, 2))
    for k in range(count):
        for j in range(links):
            for a in range(3):
                for e in range(2):
                    D[k, j, 1, a, e] = c[k, j] * E[k, j, a, e]
        for m in range(links):
            x = 0.5 * length[m] * np.sqrt(_squared_curvature(t[k], m, length, handle, held))
            rigid = (handle == 1 and m == 0) or (held == 1 and m == links - 1)
            if rigid or x >= MOST_BENT:
                continue
            # derivative of the chord by the squared curvature
            f = length[m] ** 3 / 8.0 * ((x * np.cos(x) - np.sin(x)) / x**3 if x > 1e-3 else -1 / 3)
            f /= 2.0 if 0 < m < links - 1 else 3.0
            for i in range(max(m, 1), min(m + 2, links)):
                angle, span = _joint(t[k], i, length, handle, held)
                opening = angle / np.sin(min(angle, 2.9)) if angle > 1e-6 else 1.0
                for side in range(2):
                    j, other = i - side, i - 1 + side
                    for e in range(2):
                        turn = 0.0
                        for a in range(3):
                            turn -= 2.0 * opening * t[k, other, a] * E[k, j, a, e]
                        for a in range(3):
                            D[k, j, m - j + 1, a, e] += f / span**2 * turn * t[k, m, a]
        for j in range(links):
            D[k, j, 3] = D[k, j, 0] + D[k, j, 1] + D[k, j, 2]
    return D
