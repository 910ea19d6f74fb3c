"""Normal equations of the whole record, banded in time, assembled from rows time by time.

Unknowns of time k stand at k n .. (k + 1) n - 1; a row touches k - 1, k, k + 1, so the lower band
has 3 n diagonals (LAPACK lower storage: band[i - j, j]). Shared parameters form the border.
"""

from __future__ import annotations

from typing import NamedTuple

import numba as nb
import numpy as np

from lashwave.estimate.gram import gram, rotate_out_tensions
from lashwave.estimate.momentum_rows import (
    dynamics_rows,
    place_slope,
    whitened_residual,
)
from lashwave.quantities import Array, Mask


class Course(NamedTuple):
    """The nodes' places and the links' directions over K times."""

    node: Array  # (K, N + 1, 3) [m]
    direction: Array  # (K, N, 3)
    chord: Array  # (K, N) [m]
    time: Array  # (K,) [s]


class Dynamics(NamedTuple):
    """What moves the line, beside its chain (`Setup.kernel_chain`), as the kernels take it."""

    air: Array  # (3,) density, viscosity, speed of sound
    law: Array  # (5,)
    gravity: Array  # (3,) [m/s2]
    node_mass: Array  # (N + 1,) [kg]
    driven: Mask  # (N + 1,)
    hand_density: float  # [m2/s3]
    first: int
    last: int


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


@nb.njit(cache=True)
def _hand_rows(G, rhs, x, D, hm, hp, density, driven):  # type: ignore[no-untyped-def]
    """White acceleration of the driven nodes: rows in the places that dynamics left empty."""
    links = D.shape[1]
    n = 3 + 2 * links
    h = 0.5 * (hm + hp)
    f = 1.0 / np.sqrt(density * h)
    coefficient = (f / hm, -f / hm - f / hp, f / hp)
    for i in range(links + 1):
        if not driven[i]:
            continue
        for a in range(3):
            row = G[3 * i + a]
            for s in range(3):
                rhs[3 * i + a] += coefficient[s] * x[s, i, a]
                row[s * n + a] = coefficient[s]
                for j in range(min(i + 1, links)):
                    for e in range(2):
                        slope = place_slope(D[s], j, i, a, e)
                        row[s * n + 3 + 2 * j + e] = coefficient[s] * slope


@nb.njit(cache=True)
def _sighting_row(row, n, theta, node, p, w, tcol, tval, D):  # type: ignore[no-untyped-def]
    """One scalar sighting: p . x at up to two nodes, interpolated over three times."""
    for m in range(2):
        i = node[m]
        if i < 0:
            continue
        for s in range(3):
            if w[s] == 0.0:
                continue
            for a in range(3):
                row[s * n + a] += w[s] * p[m, a]
            for j in range(min(i + 1, D.shape[1])):
                for e in range(2):
                    along = 0.0
                    for a in range(3):
                        along += p[m, a] * place_slope(D[s], j, i, a, e)
                    row[s * n + 3 + 2 * j + e] += w[s] * along
    for q in range(tcol.size):
        if tcol[q] >= 0:
            row[theta + tcol[q]] += tval[q]


@nb.njit(cache=True)
def _block_of_time(course, E, D, hm, hp, chain, dynamics, weight, own, srow, shared):  # type: ignore[no-untyped-def]
    """One time's rows G, r as G' G (3 n + shared square), G' r, r' r; and tensions (N,).

    course, E, D hold the three times; own = its sightings, a range in srow.
    """
    node, p, w, value, tcol, tval = srow
    d = dynamics
    links = course.chord.shape[1]
    n = 3 + 2 * links
    rows = 3 * (links + 1) + own[1] - own[0]
    G = np.zeros((rows, 3 * n + shared))
    rhs = np.zeros(rows)
    tension, pull = dynamics_rows(
        G, rhs, course.node, course.direction, E, D, course.chord, hm, hp, chain, d.air, d.law,
        d.gravity, weight, d.first, d.last,
    )  # fmt: skip
    rotate_out_tensions(G, rhs, pull, weight, d.first, d.last)
    _hand_rows(G, rhs, course.node, D, hm, hp, d.hand_density, d.driven)
    for r in range(own[0], own[1]):
        i = 3 * (links + 1) + r - own[0]
        rhs[i] = value[r]
        _sighting_row(G[i], n, 3 * n, node[r], p[r], w[r], tcol[r], tval[r], D)
    return gram(G, n), np.dot(G.T, rhs), np.dot(rhs, rhs), tension


@nb.njit(cache=True)
def _around(course, k):  # type: ignore[no-untyped-def]
    """The course at times k - 1, k, k + 1, and the steps between them [s]."""
    near = slice(k - 1, k + 2)
    time = course.time[near]
    part = Course(course.node[near], course.direction[near], course.chord[near], time)
    return part, time[1] - time[0], time[2] - time[1]


@nb.njit(cache=True)
def _whitening(spread, node_mass, driven, h):  # type: ignore[no-untyped-def]
    """Weight of each node's dynamics (N + 1,): zero where the node is driven."""
    weight = np.zeros(node_mass.size)
    for i in range(node_mass.size):
        if not driven[i]:
            weight[i] = 1.0 / (node_mass[i] * np.sqrt(spread[i] * h))
    return weight


@nb.njit(cache=True)
def _add_block(band, border, grad, block, g, start, width):  # type: ignore[no-untyped-def]
    """Add one time's block (width + Q square) to band, border and gradient, from `start` on."""
    for i in range(width):
        grad[start + i] += g[i]
        for j in range(i, width):
            band[j - i, start + i] += block[i, j]
        for q in range(border.shape[1]):
            border[start + i, q] += block[i, width + q]


@nb.njit(cache=True, parallel=True)
def assemble(band, border, grad, corner, course, E, D, chain, dynamics, spread, starts, srow):  # type: ignore[no-untyped-def]
    """Add all rows to band (3n, K n), border (K n, Q), grad (K n + Q), corner (Q, Q).

    Returns cost and tensions (K, N) [N].
    D: of `link_reach`; spread (K, N + 1): density [m2/s3] of the random acceleration;
    starts (K + 1): first sighting of each time; srow = (node (R, 2), p (R, 2, 3), w (R, 3),
    rhs (R), tcol (R, 4), tval (R, 4)).
    The first five shared parameters are the logarithmic scales of the law, the next those of the
    shapes of stiffness in chain[5].
    """
    count, links = course.chord.shape
    n = 3 + 2 * links
    shared = corner.shape[0]
    tension = np.zeros((count, links))
    cost = np.zeros(count)
    corners = np.zeros((count, shared, shared + 1))
    # Times three apart share no unknown, so each colour may be added by many threads.
    for colour in range(3):
        for b in nb.prange((count - 2 - colour + 2) // 3):
            k = 1 + colour + 3 * b
            near = slice(k - 1, k + 2)
            part, hm, hp = _around(course, k)
            weight = _whitening(spread[k], dynamics.node_mass, dynamics.driven, 0.5 * (hm + hp))
            own = (starts[k], starts[k + 1])
            block, g, cost[k], tension[k] = _block_of_time(
                part, E[near], D[near], hm, hp, chain, dynamics, weight, own, srow, shared
            )
            _add_block(band, border, grad, block, g, (k - 1) * n, 3 * n)
            corners[k, :, :shared] = block[3 * n :, 3 * n :]
            corners[k, :, shared] = g[3 * n :]
    for k in range(count):
        corner += corners[k, :, :shared]
        grad[count * n :] += corners[k, :, shared]
    return cost.sum(), tension


@nb.njit(cache=True, parallel=True)
def dynamics_cost(course, chain, dynamics, spread):  # type: ignore[no-untyped-def]
    """Squared whitened dynamics residual by time and node (K, N + 1), tensions (K, N) [N]."""
    d = dynamics
    count, links = course.chord.shape
    by_node = np.zeros((count, links + 1))
    tension = np.zeros((count, links))
    for k in nb.prange(1, count - 1):
        part, hm, hp = _around(course, k)
        h = 0.5 * (hm + hp)
        weight = _whitening(spread[k], d.node_mass, d.driven, h)
        rhs, tension[k] = whitened_residual(
            part.node, part.direction, part.chord, hm, hp, chain, d.air, d.law, d.gravity, weight,
            d.first, d.last,
        )  # fmt: skip
        x = part.node
        f = 1.0 / np.sqrt(d.hand_density * h)
        for i in range(links + 1):
            if d.driven[i]:
                for a in range(3):
                    rise = (x[2, i, a] - x[1, i, a]) / hp - (x[1, i, a] - x[0, i, a]) / hm
                    rhs[3 * i + a] = f * rise
            for a in range(3):
                by_node[k, i] += rhs[3 * i + a] ** 2
    return by_node, tension
