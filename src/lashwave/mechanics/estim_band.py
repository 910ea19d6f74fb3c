"""Normal equations of the whole record, banded in time, assembled from rows time by time.

Unknowns of time k stand at k n .. (k + 1) n - 1; a row touches k - 1, k, k + 1, so the lower band
has 3 n diagonals (LAPACK lower storage: band[i - j, j]). Shared parameters form the border.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from lashwave.mechanics.estim_rows import (
    dynamics_rows,
    impulse_residual,
    project_out_tensions,
)


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
def chord_lengths(t, length, handle, held):  # type: ignore[no-untyped-def]
    """Chords (K, N) of links whose arc is bent: l (1 - (kappa l)^2 / 24), at most 3 % short.

    kappa from the joints at either end; a free last link takes the mean square of a moment that
    falls to zero. Rigid ends keep their length.
    """
    count, links, _ = t.shape
    c = np.empty((count, links))
    for k in range(count):
        for j in range(links):
            total, sides = 0.0, 0
            for m in range(2):
                i = j + m
                if i < 1 or i >= links:
                    continue
                d2 = 0.0
                for a in range(3):
                    d2 += (t[k, i, a] - t[k, i - 1, a]) ** 2
                if handle == 1 and i == 1:
                    span = 0.5 * length[1]
                elif held == 1 and i == links - 1:
                    span = 0.5 * length[links - 2]
                else:
                    span = 0.5 * (length[i] + length[i - 1])
                total += d2 / span**2
                sides += 1
            k2 = total / 2.0 if sides == 2 else total / 3.0
            bent = min(k2 * length[j] ** 2 / 24.0, 0.03)
            rigid = (handle == 1 and j == 0) or (held == 1 and j == links - 1)
            c[k, j] = length[j] if rigid else length[j] * (1.0 - bent)
    return c


@nb.njit(cache=True)
def _hand_rows(G, rhs, x, E, c, hm, hp, density, driven):  # type: ignore[no-untyped-def]
    """White acceleration of the driven nodes: rows in the places that dynamics left empty."""
    links = E.shape[1]
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
                for j in range(i):
                    for e in range(2):
                        row[s * n + 3 + 2 * j + e] = coefficient[s] * c[s, j] * E[s, j, a, e]


@nb.njit(cache=True)
def _sighting_row(row, n, theta, node, p, w, tcol, tval, E, c):  # type: ignore[no-untyped-def]
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
            for j in range(i):
                f = w[s] * c[s, j]
                for e in range(2):
                    row[s * n + 3 + 2 * j + e] += f * (
                        p[m, 0] * E[s, j, 0, e] + p[m, 1] * E[s, j, 1, e] + p[m, 2] * E[s, j, 2, e]
                    )
    for q in range(tcol.size):
        if tcol[q] >= 0:
            row[theta + tcol[q]] += tval[q]


@nb.njit(cache=True)
def _block_of_time(  # type: ignore[no-untyped-def]
    x, t, E, c, hm, hp, chain, air, law, gravity, weight, driven, density, ends, own, srow, shared
):
    """One inner time's rows G, r as G' G (3 n + shared square), G' r, r' r; and tensions (N,).

    x, t, E, c hold the three times; own = its sightings as a range in srow; ends = (first, last).
    """
    node, p, w, value, tcol, tval = srow
    links = t.shape[1]
    n = 3 + 2 * links
    rows = 3 * (links + 1) + own[1] - own[0]
    G = np.zeros((rows, 3 * n + shared))
    rhs = np.zeros(rows)
    tension = dynamics_rows(
        G, rhs, x, t, E, c, hm, hp, chain, air, law, gravity, weight, ends[0], ends[1]
    )
    _hand_rows(G, rhs, x, E, c, hm, hp, density, driven)
    for r in range(own[0], own[1]):
        i = 3 * (links + 1) + r - own[0]
        rhs[i] = value[r]
        _sighting_row(G[i], n, 3 * n, node[r], p[r], w[r], tcol[r], tval[r], E, c)
    return np.dot(G.T, G), np.dot(G.T, rhs), np.dot(rhs, rhs), tension


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
def assemble(  # type: ignore[no-untyped-def]
    band,
    border,
    grad,
    corner,
    x,
    t,
    E,
    c,
    times,
    chain,
    air,
    law,
    gravity,
    spread,
    node_mass,
    driven,
    hand_density,
    first,
    last,
    starts,
    srow,
):
    """Add all rows to band (3n, K n), border (K n, Q), grad (K n + Q), corner (Q, Q).

    Returns cost and tensions (K, N) [N].
    spread (K, N + 1): density [m2/s3] of the random acceleration; starts (K + 1): first sighting
    of each time; srow = (node (R, 2), p (R, 2, 3), w (R, 3), rhs (R), tcol (R, 4), tval (R, 4)).
    The first five shared parameters are the logarithmic scales of the law.
    """
    count, links = c.shape
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
            hm, hp = times[k] - times[k - 1], times[k + 1] - times[k]
            weight = _whitening(spread[k], node_mass, driven, 0.5 * (hm + hp))
            block, g, cost[k], tension[k] = _block_of_time(
                x[near],
                t[near],
                E[near],
                c[near],
                hm,
                hp,
                chain,
                air,
                law,
                gravity,
                weight,
                driven,
                hand_density,
                (first, last),
                (starts[k], starts[k + 1]),
                srow,
                shared,
            )
            _add_block(band, border, grad, block, g, (k - 1) * n, 3 * n)
            corners[k, :, :shared] = block[3 * n :, 3 * n :]
            corners[k, :, shared] = g[3 * n :]
    for k in range(count):
        corner += corners[k, :, :shared]
        grad[count * n :] += corners[k, :, shared]
    return cost.sum(), tension


@nb.njit(cache=True, parallel=True)
def dynamics_cost(  # type: ignore[no-untyped-def]
    x, t, c, times, chain, air, law, gravity, spread, node_mass, driven, hand_density, first, last
):
    """Squared whitened dynamics residual by time and node (K, N + 1), tensions (K, N) [N]."""
    count, links = c.shape
    by_node = np.zeros((count, links + 1))
    tension = np.zeros((count, links))
    for k in nb.prange(1, count - 1):
        hm, hp = times[k] - times[k - 1], times[k + 1] - times[k]
        h = 0.5 * (hm + hp)
        weight = np.zeros(links + 1)
        r = impulse_residual(
            x[k - 1 : k + 2], t[k - 1 : k + 2], c[k - 1 : k + 2], hm, hp, chain, air, law, gravity
        )[0]
        rhs = np.empty(3 * (links + 1))
        for i in range(links + 1):
            if not driven[i]:
                weight[i] = 1.0 / (node_mass[i] * np.sqrt(spread[k, i] * h))
            for a in range(3):
                rhs[3 * i + a] = weight[i] * r[i, a]
        empty = np.zeros((rhs.size, 0))
        tension[k] = project_out_tensions(empty, rhs, t[k], weight, first, last) / h
        f = 1.0 / np.sqrt(hand_density * h)
        for i in range(links + 1):
            if driven[i]:
                for a in range(3):
                    rhs[3 * i + a] = f * (
                        (x[k + 1, i, a] - x[k, i, a]) / hp - (x[k, i, a] - x[k - 1, i, a]) / hm
                    )
            for a in range(3):
                by_node[k, i] += rhs[3 * i + a] ** 2
    return by_node, tension
