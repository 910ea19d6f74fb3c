"""How a hand moves: its acceleration is a random walk, so that forces do not tremble with it.

The path of a driven end could follow every sample of its markers if its acceleration were white
noise: the whole line hangs on it, and what holds the line would tremble with the samples' noise. So
the joint fit also asks that the acceleration change little from one time to the next,

    r = (a_{k+1} - a_k) / sqrt(q (t_{k+1} - t_k)),    a_k = (v+ - v-) / H,

with q [m2/s5] the spectral density of the jerk (`lashwave.estimate.hand_density`).
That a_k is a mean over two steps, so that neighbouring rows are not independent of each other, is
neglected.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array

TIMES = 4
"""That a row touches."""


def width(setup: FitSetup) -> int:
    """Unknowns of one time that move the driven end: the base and a grip's direction."""
    return 3 + 2 * int(setup.chain.handle_links)


def jerk_rows(setup: FitSetup, path: Path) -> tuple[Array, Array]:
    """Whitened jerk (K - 3, M) of the driven nodes, M coordinates, and its derivatives
    (K - 3, M, 4, width) by the unknowns of the four times."""
    c = _differences(path.time) / np.sqrt(setup.hand_jerk * np.diff(path.time)[1:-1, None])
    driven = 1 + int(setup.chain.handle_links)
    place = path.node[:, :driven].reshape(path.time.size, -1)
    rows = c.shape[0]
    near = np.arange(rows)[:, None] + np.arange(TIMES)
    value = np.einsum("rs,rsm->rm", c, place[near])
    slope = np.zeros((path.time.size, place.shape[1], width(setup)))
    for node in range(driven):
        slope[:, 3 * node : 3 * node + 3, :3] = np.eye(3)
    if driven == 2:
        slope[:, 3:, 3:] = path.chord[:, 0, None, None] * path.axes[:, 0]
    return value, np.einsum("rs,rsmu->rmsu", c, slope[near])


def _differences(time: Array) -> Array:
    """(K - 3, 4), coefficients of a_{k+1} - a_k on the places at four times."""
    h = np.diff(time)
    middle = 0.5 * (h[1:] + h[:-1])
    second = np.stack([1.0 / h[:-1], -1.0 / h[:-1] - 1.0 / h[1:], 1.0 / h[1:]], axis=1)
    second /= middle[:, None]
    out = np.zeros((time.size - 3, TIMES))
    out[:, 1:] += second[1:]
    out[:, :3] -= second[:-1]
    return out


def add_jerk(setup: FitSetup, path: Path, band: Array, gradient: Array) -> float:
    """Add the rows to a band of 3 n + width diagonals (LAPACK lower storage) and the gradient;
    returns their cost."""
    value, slope = jerk_rows(setup, path)
    n, w = setup.unknowns, width(setup)
    rows = np.arange(value.shape[0])
    product = np.einsum("rmsu,rmtv->rsutv", slope, slope)
    pull = np.einsum("rmsu,rm->rsu", slope, value)
    for s in range(TIMES):
        for u in range(w):
            column = (rows + s) * n + u
            gradient[column] += pull[:, s, u]
            for t in range(s, TIMES):
                for v in range(u if t == s else 0, w):
                    band[(t - s) * n + v - u, column] += product[:, s, u, t, v]
    return float((value**2).sum())
