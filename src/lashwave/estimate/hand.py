"""How a hand moves: its acceleration is a random walk, so that forces do not tremble with it.

The path of a driven end could follow every sample of its markers if its acceleration were white
noise: the whole line hangs on it, and what holds the line would tremble with the samples' noise. So
the joint fit also asks that the acceleration change little from one time to the next,

    r = (a_{k+1} - a_k) / sqrt(q (t_{k+1} - t_k)),    a_k = (v+ - v-) / H,

with q [m2/s5] the spectral density of the jerk, by which the markers next to the hand are most
probable: the marginal likelihood of a Wiener process observed in noise, by the Kalman filter
(Rauch, Tung and Striebel 1965 for the filter's form). That a_k is a mean over two steps, so that
neighbouring rows are not independent of each other, is neglected.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.trial import Trial

if TYPE_CHECKING:
    from lashwave.estimate.path import Path
    from lashwave.estimate.setup import Setup

Array = NDArray[np.float64]
TIMES = 4
"""That a row touches."""
NEAREST = 3
"""How many markers next to the hand tell its jerk."""
FEWEST = 20
"""Samples that a marker must have to be asked."""
EXPONENTS = np.arange(0.0, 9.1, 0.5)
"""Of ten, tried for the density of the jerk [m2/s5]: from a hand at rest to a blow."""


def width(setup: Setup) -> int:
    """Unknowns of one time that move the driven end: the base and a grip's direction."""
    return 3 + 2 * int(setup.chain.handle_links)


def jerk_rows(setup: Setup, path: Path) -> tuple[Array, Array]:
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


def add_jerk(setup: Setup, path: Path, band: Array, gradient: Array) -> float:
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


def jerk_density(trial: Trial) -> float:
    """Most probable density of the hand's jerk [m2/s5], from the markers next to it.

    inf where no marker there was seen often enough, and where the far end is held too.
    """
    markers = trial.markers
    order = np.argsort(np.where(markers.on_handle, -1.0, markers.station))
    near = [i for i in order if np.isfinite(markers.position[:, i, 0]).sum() >= FEWEST][:NEAREST]
    if trial.line.ends == "held" or not near:
        return np.inf
    step = 1.0 / markers.rate
    total = np.zeros(EXPONENTS.size)
    for label in near:
        total += _log_likelihood(markers.position[:, label], markers.sd[:, label], step)
    best = int(total.argmax())
    if best in (0, total.size - 1):
        return float(10.0 ** EXPONENTS[best])
    left, middle, right = total[best - 1 : best + 2]
    shift = 0.5 * (left - right) / (left - 2.0 * middle + right)
    return float(10.0 ** (EXPONENTS[best] + shift * (EXPONENTS[1] - EXPONENTS[0])))


def _log_likelihood(place: Array, sd: Array, step: float) -> Array:
    """Of each tried density, by a marker's places (T, 3) with gaps, standard deviations (T,)."""
    q = 10.0**EXPONENTS
    move = np.array([[1.0, step, 0.5 * step**2], [0.0, 1.0, step], [0.0, 0.0, 1.0]])
    grow = np.array(
        [
            [step**5 / 20, step**4 / 8, step**3 / 6],
            [step**4 / 8, step**3 / 3, step**2 / 2],
            [step**3 / 6, step**2 / 2, step],
        ]
    )
    spread = q[:, None, None] * grow
    state = np.zeros((q.size, 3, 3))  # density, derivative, axis
    state[:, 0] = place[np.isfinite(place[:, 0])][0]
    cover = np.tile(np.diag([1.0, 1e2, 1e4]), (q.size, 1, 1))
    log = np.zeros(q.size)
    for seen, own in zip(place, sd, strict=True):
        state = move @ state
        cover = move @ cover @ move.T + spread
        if not np.isfinite(seen[0]):
            continue
        total = cover[:, 0, 0] + own**2
        miss = seen - state[:, 0]
        log -= 0.5 * ((miss**2).sum(axis=1) / total + 3.0 * np.log(total))
        gain = cover[:, :, 0] / total[:, None]
        state = state + gain[:, :, None] * miss[:, None, :]
        cover = cover - gain[:, :, None] * cover[:, None, 0, :]
    return log
