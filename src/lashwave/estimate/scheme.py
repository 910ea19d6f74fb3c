"""How the dynamics at one time weigh the directions of the times before and after.

Tension and bending taken at the middle time alone leave a link that would swing faster than the
grid follows, w h > 2, nearly free to alternate from one time to the next. Such links take a mean
over the three times, with a quarter at either side (the average acceleration of Newmark 1959,
beta = 1/4, without that limit); links that the grid follows keep the middle time, whose error is
smaller. Both are second order in the step.
"""

from __future__ import annotations

import numba as nb
import numpy as np

LIMIT = 0.25


@nb.njit(cache=True)
def side_shares(link_mass, bend, tension, c, h):  # type: ignore[no-untyped-def]
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


@nb.njit(cache=True)
def time_shares(share, hm, hp):  # type: ignore[no-untyped-def]
    """Weights (3, N) of the three times, whose mean time is the middle one."""
    w = np.empty((3, share.size))
    for j in range(share.size):
        w[0, j] = 2.0 * share[j] * hp / (hm + hp)
        w[2, j] = 2.0 * share[j] * hm / (hm + hp)
        w[1, j] = 1.0 - 2.0 * share[j]
    return w


@nb.njit(cache=True)
def mean_directions(t, w):  # type: ignore[no-untyped-def]
    """Weighted mean (N, 3) of directions t (3, N, 3); a little shorter than one."""
    mean = np.empty_like(t[1])
    for j in range(mean.shape[0]):
        for a in range(3):
            mean[j, a] = w[0, j] * t[0, j, a] + w[1, j] * t[1, j, a] + w[2, j] * t[2, j, a]
    return mean
