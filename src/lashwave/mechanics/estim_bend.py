"""Bending of a chain of arcs: forces at the nodes, and their derivatives as whitened columns."""

from __future__ import annotations

import numba as nb
import numpy as np

from lashwave.mechanics.estim_scheme import mean_directions

SHARPEST = 2.4  # [rad] the couple of a joint grows no further
FOLDED = 0.2  # least length of the sum of two directions by which a joint's tangent is told


@nb.njit(cache=True)
def joint_tangents(t):  # type: ignore[no-untyped-def]
    """Mean tangents u_j (N, 3) of the joints, and the length of the sum of the two directions."""
    u = np.zeros_like(t)
    size = np.ones(t.shape[0])
    for j in range(1, t.shape[0]):
        u[j] = t[j] + t[j - 1]
        size[j] = max(np.sqrt(u[j, 0] ** 2 + u[j, 1] ** 2 + u[j, 2] ** 2), FOLDED)
        u[j] /= size[j]
    return u, size


@nb.njit(cache=True)
def joint_couples(t):  # type: ignore[no-untyped-def]
    """Couple of each joint over that of its bend vector: A / sin A of the angle A (N,).

    Also its slope by the angle, over sin A. A counts up to `SHARPEST`.
    """
    links = t.shape[0]
    f, slope = np.ones(links), np.full(links, 1.0 / 3.0)
    for j in range(1, links):
        half = 0.0
        for a in range(3):
            half += 0.25 * (t[j, a] - t[j - 1, a]) ** 2
        angle = 2.0 * np.arcsin(min(np.sqrt(half), 1.0))
        if angle > SHARPEST:
            angle = SHARPEST
            slope[j] = 0.0
        if angle > 0.03:
            s = np.sin(angle)
            f[j] = angle / s
            if slope[j] > 0.0:
                slope[j] = (s - angle * np.cos(angle)) / s**3
    return f, slope


@nb.njit(cache=True)
def bend_forces(t, mean, rate, c, bend, scale, tau):  # type: ignore[no-untyped-def]
    """Elastic and damping forces at the nodes (2, N + 1, 3) from bending at the joints.

    Links are arcs, so the couple of a joint is bend_j times its angle, along d_j = t_j - t_{j-1}
    of the mean directions (the sine of the angle would be a third too weak at 1.5 rad). Damping
    acts on the rate of d normal to the joint's tangent: a joint that turns across its tangent as a
    whole feels nothing. One that turns about it, at w [rad/s], feels tau w of its bending couple;
    a few per cent in a hand's throw. Unlike damping along d only, it is smooth where a joint passes
    through straight.
    """
    links = t.shape[0]
    force = np.zeros((2, links + 1, 3))
    u, _ = joint_tangents(t)
    f, _ = joint_couples(t)
    for j in range(1, links):
        slip = 0.0
        for a in range(3):
            slip += u[j, a] * (rate[j, a] - rate[j - 1, a])
        for a in range(3):
            elastic = bend[j] * scale * f[j] * (mean[j, a] - mean[j - 1, a])
            damping = bend[j] * scale * tau * (rate[j, a] - rate[j - 1, a] - slip * u[j, a])
            for m in range(2):
                p = elastic if m == 0 else damping
                force[m, j - 1, a] -= p / c[j - 1]
                force[m, j, a] += p / c[j - 1] + p / c[j]
                force[m, j + 1, a] -= p / c[j]
    return force


@nb.njit(cache=True)
def bend_columns(G, n, t, E, w, c, hm, hp, bend, scale, tau, weight):  # type: ignore[no-untyped-def]
    """Columns of bending and of its damping; w (3, N): weights of the three times."""
    links = t.shape[1]
    h = 0.5 * (hm + hp)
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    rate_coefficient = (am, -am - ap, ap)
    u, size = joint_tangents(t[1])
    couple, slope = joint_couples(t[1])
    mean = mean_directions(t, w)
    rate = am * t[0] - (am + ap) * t[1] + ap * t[2]
    p = np.empty(3)
    for j in range(1, links):
        stencil = (1.0 / c[1, j - 1], -1.0 / c[1, j - 1] - 1.0 / c[1, j], 1.0 / c[1, j])
        stiff = h * bend[j] * scale
        opening = rate[j] - rate[j - 1]
        slip = u[j, 0] * opening[0] + u[j, 1] * opening[1] + u[j, 2] * opening[2]
        for s in range(3):
            for side in range(2):
                link = j - 1 + side
                sign = -1.0 if side == 0 else 1.0
                for e in range(2):
                    along, turn, closing = 0.0, 0.0, 0.0
                    for a in range(3):
                        along += u[j, a] * E[s, link, a, e]
                        turn += opening[a] * E[s, link, a, e]
                        closing += t[1, j - side, a] * E[s, link, a, e]
                    turn = (turn - along * slip) / size[j]
                    for a in range(3):
                        x = E[s, link, a, e]
                        p[a] = sign * tau * rate_coefficient[s] * (x - along * u[j, a])
                        p[a] += couple[j] * sign * w[s, link] * x
                        if s == 1:
                            p[a] -= slope[j] * closing * (mean[j, a] - mean[j - 1, a])
                            p[a] -= tau * ((x - along * u[j, a]) / size[j] * slip + u[j, a] * turn)
                    for a in range(3):
                        for m in range(3):
                            i = j - 1 + m
                            column = s * n + 3 + 2 * link + e
                            G[3 * i + a, column] += weight[i] * stencil[m] * stiff * p[a]
