"""Bending of a chain of arcs: forces at the nodes, and their derivatives as whitened columns.

How the dynamics at one time weigh the directions of the times before and after.

Tension and bending taken at the middle time alone leave a link that would swing faster than the
grid follows, w h > 2, nearly free to alternate from one time to the next. Such links take a mean
over the three times, with a quarter at either side (the average acceleration of Newmark 1959,
beta = 1/4, without that limit); links that the grid follows keep the middle time, whose error is
smaller. Both are second order in the step.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.local_rows import WIDE
from lashwave.mechanics import SOFT, compiled, couple_ratio, friction_ratio, sharpness
from lashwave.quantities import Array

LIMIT = 0.25


@compiled()
def side_shares(link_mass: Array, bend: Array, tension: Array, c: Array, h: float) -> Array:
    """Share of either side time (N,), 0 to 1/4: a quarter of (w h / 2)^2, w a link's own swing.

    w^2 = 48 B / (m l^2) + 12 T / (m l) is the highest frequency of a uniform chain of such links
    with consistent mass: bending of joints of stiffness B [N m], a pull T [N].
    """
    links = c.size
    own = np.empty(links)
    for j in range(links):
        mass = link_mass[j, 0] + 2.0 * link_mass[j, 1] + link_mass[j, 2]
        joint = max(bend[j], bend[min(j + 1, links - 1)])
        swing = (48.0 * joint / c[j] + 12.0 * abs(tension[j])) / (mass * c[j])
        own[j] = LIMIT * min(1.0, 0.25 * h * h * swing)
    share = own.copy()
    for j in range(links):
        share[j] = max(own[j], own[max(j - 1, 0)], own[min(j + 1, links - 1)])
    return share


@compiled()
def time_shares(share: Array, hm: float, hp: float) -> Array:
    """Weights (3, N) [1] of the three times, whose mean time is the middle one."""
    w = np.empty((3, share.size))
    for j in range(share.size):
        w[0, j] = 2.0 * share[j] * hp / (hm + hp)
        w[2, j] = 2.0 * share[j] * hm / (hm + hp)
        w[1, j] = 1.0 - 2.0 * share[j]
    return w


@compiled()
def mean_directions(t: Array, w: Array) -> Array:
    """Weighted mean (N, 3) [1] of directions t (3, N, 3); a little shorter than one."""
    mean = np.empty_like(t[1])
    for j in range(mean.shape[0]):
        for a in range(3):
            mean[j, a] = w[0, j] * t[0, j, a] + w[1, j] * t[1, j, a] + w[2, j] * t[2, j, a]
    return mean


Three = tuple[float, float, float]
"""A vector at a joint: to have memory for an array of three takes longer than the sum."""


@compiled()
def _step(t: Array, j: int) -> Three:
    """From the vector before joint j to the one after it."""
    return t[j, 0] - t[j - 1, 0], t[j, 1] - t[j - 1, 1], t[j, 2] - t[j - 1, 2]


@compiled()
def _sum(t: Array, j: int) -> Three:
    """Of the vectors before and after joint j."""
    return t[j, 0] + t[j - 1, 0], t[j, 1] + t[j - 1, 1], t[j, 2] + t[j - 1, 2]


@compiled()
def _dot(a: Three, b: Three) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled()
def bend_forces(
    t: Array, mean: Array, rate: Array, c: Array, bend: Array, scale: float, tau: float
) -> Array:
    """Elastic and damping forces at the nodes (2, N + 1, 3) [N] from bending at the joints.

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
        d, opening, both = _step(t, j), _step(rate, j), _sum(t, j)
        along, slip = _dot(d, opening), 0.25 * share * _dot(both, opening)
        for a in range(3):
            elastic = stiff * (mean[j, a] - mean[j - 1, a])
            damping = rub * (d[a] * along + SOFT * SOFT * (opening[a] - slip * both[a]))
            for m in range(2):
                p = elastic if m == 0 else damping
                force[m, j - 1, a] -= p / c[j - 1]
                force[m, j, a] += p / c[j - 1] + p / c[j]
                force[m, j + 1, a] -= p / c[j]
    return force


@compiled()
def bend_columns(
    row: Array, t: Array, E: Array, w: Array, c: Array, hm: float, hp: float, bend: Array,
    scale: float, tau: float, weight: Array,
) -> None:  # fmt: skip
    """Bending and its damping in rows as `local_rows` has them; w (3, N) [1]: weights of the
    three times."""
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
        d, opening, both = _step(t[1], j), _step(rate, j), _sum(t[1], j)
        along, slip = _dot(d, opening), _dot(both, opening)
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
