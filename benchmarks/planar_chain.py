"""A planar chain of N rigid links by Lagrange's equations in absolute angles; shares no code.

Point masses m at the joints, links of length l, angle a from the downward vertical:

    sum_j min-tail(i, j) cos(a_i - a_j) a_j'' = - sum_j min-tail(i, j) sin(a_i - a_j) a_j'^2
                                                - (g / l) tail_i sin a_i,

tail_i the number of masses from link i on, min-tail(i, j) = tail of the later one (textbook, a
pendulum of N parts). Solved densely; DOP853 of scipy.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp
from scipy.linalg import cho_factor, cho_solve

from lashwave.quantities.arrays import Array


def folded_fall(
    links: int = 60,
    gap: float = 0.05,
    length: float = 1.0,
    gravity: float = 9.80665,
    until: float = 0.383,
    rate: float = 1000.0,
    rtol: float = 1e-7,
) -> tuple[Array, Array]:
    """Times (T,) and heights (T,) of the free end of a chain hung folded, arms `gap` apart."""
    middle = (np.arange(links) + 0.5) / links
    arm = 0.5 * (1 - 0.5 * np.pi * gap / length)
    start = np.clip((middle - arm) / (0.5 * gap / length), 0, np.pi)
    tail = links - np.arange(links, dtype=float)
    shared = np.minimum(tail[:, None], tail[None, :])
    pull = gravity * links / length * tail

    def slope(_t: float, y: Array) -> Array:
        angle, speed = y[:links], y[links:]
        apart = angle[:, None] - angle[None, :]
        force = -(shared * np.sin(apart)) @ speed**2 - pull * np.sin(angle)
        bend = cho_solve(cho_factor(shared * np.cos(apart), check_finite=False), force)
        return np.concatenate([speed, bend])

    time = np.arange(0, until, 1 / rate)
    run = solve_ivp(
        slope, (0, time[-1]), np.concatenate([start, np.zeros(links)]), method="DOP853",
        t_eval=time, rtol=rtol, atol=1e-9,
    )  # fmt: skip
    return time, -np.cos(run.y[:links]).sum(0) * length / links
