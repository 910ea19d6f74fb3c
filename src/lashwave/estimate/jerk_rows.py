"""How a hand moves: its acceleration is a random walk, so that forces do not tremble with it.

The path of a driven end could follow every sample of its markers if its acceleration were white
noise: the whole line hangs on it, and what holds the line would tremble with the samples' noise. So
the joint fit also asks that the acceleration change little from one time to the next,

    r = (a_{k+1} - a_k) / sqrt(q (t_{k+1} - t_k)),    a_k = (v+ - v-) / H,

with q [m2/s5] the spectral density of the jerk (`hand_jerk`).
That a_k is a mean over two steps, so that neighbouring rows are not independent of each other, is
neglected.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    """Whitened jerk (K - 3, M) [sd] of the driven nodes, M coordinates, and its derivatives.

    These are (K - 3, M, 4, width) [sd/rad] by the unknowns of the four times."""
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


@dataclass(frozen=True)
class Jerk:
    """Products of those rows, to be added to the equations."""

    value: Array
    """(K - 3, M) [sd]"""
    product: Array
    """(K - 3, 4, width, 4, width) [1/rad2], of the unknowns of a row's times."""
    pull: Array
    """(K - 3, 4, width) [1/rad], with the values."""
    unknowns: int
    """n, of one time"""

    def add(self, band: Array, gradient: Array, first: int, last: int) -> None:
        """To the columns of times first ... last - 1.

        band : (3 n + width, K n) [1/rad2], LAPACK lower storage. gradient : (K n,) [1/rad].
        """
        n, w, rows = self.unknowns, self.pull.shape[2], self.value.shape[0]
        for s in range(TIMES):
            own = slice(max(first - s, 0), max(min(last - s, rows), 0))
            for u in range(w):
                column = slice((own.start + s) * n + u, (own.stop + s) * n, n)
                gradient[column] += self.pull[own, s, u]
                for t in range(s, TIMES):
                    for v in range(u if t == s else 0, w):
                        band[(t - s) * n + v - u, column] += self.product[own, s, u, t, v]

    def cost(self, own: slice) -> float:
        """Of the rows whose first time is in `own`."""
        return float((self.value[own] ** 2).sum())


def jerk_of(setup: FitSetup, path: Path) -> Jerk:
    """The rows' products at a path."""
    value, slope = jerk_rows(setup, path)
    return Jerk(
        value, np.einsum("rmsu,rmtv->rsutv", slope, slope),
        np.einsum("rmsu,rm->rsu", slope, value), setup.unknowns,
    )  # fmt: skip
