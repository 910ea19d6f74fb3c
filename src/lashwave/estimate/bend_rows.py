"""Bending of a chain of arcs: forces at the nodes, and their derivatives as whitened columns."""

from __future__ import annotations

import numba as nb
import numpy as np

from lashwave.estimate.local_rows import WIDE
from lashwave.estimate.scheme import mean_directions
from lashwave.mechanics import SOFT, couple_ratio, friction_ratio, sharpness


@nb.njit(cache=True)
def bend_forces(t, mean, rate, c, bend, scale, tau):  # type: ignore[no-untyped-def]
    """Elastic and damping forces at the nodes (2, N + 1, 3) from bending at the joints.

    The law of `bending`, with the couple along d_j = t_j - t_{j-1} of the mean directions and its
    size by the middle ones t.
    """
    links = t.shape[0]
    force = np.zeros((2, links + 1, 3))
    for j in range(1, links):
        q = sharpness(t[j - 1], t[j])
        stiff = bend[j] * scale * couple_ratio(q)[0]
        share = friction_ratio(q)[0]
        rub = bend[j] * scale * tau * share / (4.0 * q + SOFT * SOFT)
        d, opening = t[j] - t[j - 1], rate[j] - rate[j - 1]
        both = t[j] + t[j - 1]
        along = d[0] * opening[0] + d[1] * opening[1] + d[2] * opening[2]
        slip = both[0] * opening[0] + both[1] * opening[1] + both[2] * opening[2]
        slip *= 0.25 * share
        for a in range(3):
            elastic = stiff * (mean[j, a] - mean[j - 1, a])
            damping = rub * (d[a] * along + SOFT * SOFT * (opening[a] - slip * both[a]))
            for m in range(2):
                p = elastic if m == 0 else damping
                force[m, j - 1, a] -= p / c[j - 1]
                force[m, j, a] += p / c[j - 1] + p / c[j]
                force[m, j + 1, a] -= p / c[j]
    return force


@nb.njit(cache=True)
def bend_columns(row, t, E, w, c, hm, hp, bend, scale, tau, weight):  # type: ignore[no-untyped-def]
    """Bending and its damping in rows as `local_rows` has them; w (3, N): weights of the three
    times."""
    links = t.shape[1]
    h = 0.5 * (hm + hp)
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    rate_coefficient = (am, -am - ap, ap)
    mean = mean_directions(t, w)
    rate = am * t[0] - (am + ap) * t[1] + ap * t[2]
    p = np.empty(3)
    for j in range(1, links):
        q = sharpness(t[1, j - 1], t[1, j])
        couple, slope = couple_ratio(q)
        share, growth = friction_ratio(q)
        both = t[1, j] + t[1, j - 1]
        d, opening = t[1, j] - t[1, j - 1], rate[j] - rate[j - 1]
        along = d[0] * opening[0] + d[1] * opening[1] + d[2] * opening[2]
        slip = both[0] * opening[0] + both[1] * opening[1] + both[2] * opening[2]
        over = 1.0 / (4.0 * q + SOFT * SOFT)
        stencil = (1.0 / c[1, j - 1], -1.0 / c[1, j - 1] - 1.0 / c[1, j], 1.0 / c[1, j])
        stiff = h * bend[j] * scale
        for s in range(3):
            for side in range(2):
                link = j - 1 + side
                sign = -1.0 if side == 0 else 1.0
                for e in range(2):
                    x = E[s, link, :, e]
                    dx, bx, rx, more = 0.0, 0.0, 0.0, 0.0
                    for a in range(3):
                        dx += d[a] * x[a]
                        bx += both[a] * x[a]
                        rx += opening[a] * x[a]
                        # by the middle directions, q grows by this
                        more -= 0.5 * t[1, j - side, a] * x[a]
                    grown = more * (growth / share - 4.0 * over)
                    for a in range(3):
                        loose = x[a] - 0.25 * share * bx * both[a]
                        rub = sign * rate_coefficient[s] * (d[a] * dx + SOFT * SOFT * loose)
                        p[a] = couple * sign * w[s, link] * x[a]
                        if s == 1:
                            turn = share * (rx * both[a] + slip * x[a])
                            turn += growth * more * slip * both[a]
                            bent = opening[a] - 0.25 * share * slip * both[a]
                            rub += sign * (x[a] * along + d[a] * rx)
                            rub -= 0.25 * SOFT * SOFT * turn
                            rub += grown * (d[a] * along + SOFT * SOFT * bent)
                            p[a] += slope * more * (mean[j, a] - mean[j - 1, a])
                        p[a] += tau * share * over * rub
                    for a in range(3):
                        for m in range(3):
                            i = j - 1 + m
                            column = WIDE * s + 3 + 2 * (side - m + 2) + e
                            row[i, a, column] += weight[i] * stencil[m] * stiff * p[a]
