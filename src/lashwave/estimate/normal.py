"""Normal equations of a stretch, their factor, and what the factor gives.

How a hand moves: its acceleration is a random walk, so that forces do not tremble with it.

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
from numba import get_num_threads

from lashwave.estimate.anchor import Anchor
from lashwave.estimate.assembly import Equations, RowInputs, assemble, dynamics_cost
from lashwave.estimate.blocks import backward, factor_in_place, forward, memory_of
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Seen, Weights, look
from lashwave.quantities import Array, NotConvergedError

LEAST_DAMPING = 1e-9
"""Added to the diagonal where nothing is to be held back [1/rad2]: rounding alone would make some
equations indefinite."""
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


def add_jerk(
    setup: FitSetup, path: Path, band: Array, gradient: Array, own: slice = slice(None)
) -> float:
    """Add the rows to the equations; returns the cost of those whose first time is in `own`.

    band : (3 n + width, K n) [1/rad2], LAPACK lower storage. gradient : (K n,) [1/rad].
    """
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
    return float((value[own] ** 2).sum())


@dataclass(frozen=True)
class Normal:
    """Half the Hessian and gradient of the cost: band in time, bordered by shared parameters."""

    band: Array
    """(3 n, K n), LAPACK lower storage, Fortran order; some more rows where a hand's jerk is asked
    for, which ties the driven end's own unknowns over four times."""
    border: Array
    """(K n, Q)"""
    corner: Array
    """(Q, Q)"""
    gradient: Array
    """(K n + Q,)"""
    cost: float
    tension: Array
    """(K, N) [N]"""
    axes: Array
    seen: Seen
    unknowns: int
    """n, of one time"""
    stiffening: Array
    """(K, N) [1/rad2], what the turning of links adds to the curvature; not in the band"""


class BandMemory:
    """Memory for a band, kept from one build to the next: a fresh third of a gigabyte takes as long
    to be had from the system as to be filled."""

    def __init__(self) -> None:
        self._memory = np.empty(0)

    def band(self, deep: int, size: int) -> Array:
        """(deep, size) in Fortran order, no unit; what was in the last one is lost."""
        if self._memory.size < deep * size:
            self._memory = np.empty(deep * size)
        return self._memory[: deep * size].reshape(size, deep).T


def build(
    setup: FitSetup,
    path: Path,
    spread: Array,
    weights: Weights,
    anchor: Anchor | None,
    room: BandMemory | None = None,
    own: tuple[int, int] | None = None,
) -> Normal:
    """Assemble at a path.

    Parameters
    ----------
    spread : (K, N + 1) [m2/s3], density of the random acceleration.
    anchor : None of times that are not a record's first; they lack the prior of the shared
        parameters, too, which the first have.
    room : for the band, good until the next build there; fresh memory where None.
    own : the first of the times whose columns are formed, and whose rows count in the rest, and the
        one after the last; all where None. The others' columns have no meaning.
    """
    seen = look(setup, path, weights)
    n, count, q = setup.unknowns, path.time.size, setup.shared.mean.size
    axes = path.axes
    jerky = np.isfinite(setup.hand_jerk) and count >= TIMES
    deep = 3 * n + width(setup) * jerky
    band = (room or BandMemory()).band(deep, count * n)
    border, corner = np.empty((count * n, q)), np.empty((q, q))
    gradient, stiffening = np.empty(count * n + q), np.empty((count, (n - 3) // 2))
    cost, tension = assemble(
        Equations(memory_of(band), deep, border, gradient, corner, stiffening),
        RowInputs(
            path.course, axes, path.reach(setup), setup.kernel_chain(path.shared),
            setup.dynamics(path.shared), spread, seen.starts, seen.rows,
        ),
        threads=get_num_threads(), own=own,
    )  # fmt: skip
    of_start = 0.0, 0.0
    if anchor is not None:
        matrix, offset = anchor.rows(axes), anchor.residual(path)
        block = matrix.T @ matrix
        for i in range(2 * n):
            band[: 2 * n - i, i] += block[i:, i]
        gradient[: 2 * n] += matrix.T @ offset
        prior = (path.shared - setup.shared.mean) / setup.shared.sd
        corner[np.diag_indices(q)] += 1.0 / setup.shared.sd**2
        gradient[count * n :] += prior / setup.shared.sd
        of_start = float(offset @ offset), float(prior @ prior)
    if jerky:
        cost += add_jerk(setup, path, band, gradient, slice(*own) if own else slice(None))
    cost += of_start[0]
    cost += of_start[1]
    return Normal(band, border, corner, gradient, cost, tension, axes, seen, n, stiffening)


def cost_of(
    setup: FitSetup,
    path: Path,
    spread: Array,
    weights: Weights,
    anchor: Anchor | None,
    own: tuple[int, int] | None = None,
) -> float:
    """The cost alone [1]; spread (K, N + 1) [m2/s3]; anchor and own as `build` takes them."""
    seen = look(setup, path, weights)
    chain, dynamics = setup.kernel_chain(path.shared), setup.dynamics(path.shared)
    by_node, _ = dynamics_cost(path.course, chain, dynamics, spread, threads=get_num_threads())
    mine = slice(*own) if own else slice(None)
    cost = seen.cost if own is None else _cost_of_rows(seen, own)
    cost += float(by_node[mine].sum())
    if np.isfinite(setup.hand_jerk) and path.time.size >= TIMES:
        cost += float((jerk_rows(setup, path)[0][mine] ** 2).sum())
    if anchor is not None:
        offset = anchor.residual(path)
        prior = (path.shared - setup.shared.mean) / setup.shared.sd
        cost += float(offset @ offset)
        cost += float(prior @ prior)
    return float(cost)


def _cost_of_rows(seen: Seen, own: tuple[int, int]) -> float:
    """Of the sightings about the times `own`."""
    value = seen.rows[3][seen.starts[own[0]] : seen.starts[own[1]]]
    return float(value @ value)


class NotDefiniteError(np.linalg.LinAlgError):
    """The equations hold no motion from some time on."""

    def __init__(self, time: int) -> None:
        super().__init__("the normal equations are not positive definite")
        self.time = time
        """Number of the time."""


def nothing_holds(since: float) -> NotConvergedError:
    """What to raise where no damping helps from a time [s] on."""
    return NotConvergedError(
        f"from {since:.3f} s on nothing holds the motion (its equations are not positive definite):"
        " too few markers are seen there, or they contradict each other; see `lashwave check`, set "
        "wrong samples aside with a mend, or cut the record"
    )


@dataclass(frozen=True)
class Factor:
    """Cholesky factor of (damped) normal equations."""

    band: Array
    """(3 n, K n), lower factor of the times' block"""
    coupling: Array
    """(K n, Q), its inverse applied to the border"""
    corner: Array
    """(Q, Q), lower factor of the shared parameters' Schur complement"""
    unknowns: int
    """n, of one time"""


def factor(
    normal: Normal, damping: Array | float, hold_shared: bool = False, overwrite: bool = False
) -> Factor:
    """Factor with `damping` (K n,) [1/rad2] added to the times' diagonal.

    Raises LinAlgError where it is not definite.

    With `overwrite` the factor takes the place of `normal.band`, half a gigabyte of a long throw.
    """
    band = normal.band if overwrite else normal.band.copy(order="F")
    band[0] += damping
    n = normal.unknowns
    failed = factor_in_place(band, n)
    if failed:
        raise NotDefiniteError((failed - 1) // n)
    if hold_shared:
        return Factor(band, np.zeros((band.shape[1], 0)), np.zeros((0, 0)), n)
    coupling = forward(band, normal.border, n)
    rest = normal.corner - coupling.T @ coupling
    return Factor(band, coupling, np.asarray(np.linalg.cholesky(rest), dtype=float), n)


def surest_factor(normal: Normal, dampings: tuple[float, ...], times: Array) -> Factor:
    """Factor of the times (K,) [s] alone, with the first of some rising dampings that makes one.

    Near the end of a stretch of the sweep the equations may be so ill-conditioned that rounding
    makes them indefinite; raises NotConvergedError where none of the dampings helps.
    """
    lost = 0
    for damping in dampings:
        try:
            return factor(normal, damping, hold_shared=True)
        except NotDefiniteError as fault:
            lost = fault.time
    raise nothing_holds(float(times[lost]))


def solve(f: Factor, right: Array) -> Array:
    """Solve the factored equations for right-hand sides (K n + Q,) [1/rad]; held parameters stay.

    The solution (K n + Q,) is in [rad], of shared parameters in their own units."""
    size, q = f.coupling.shape
    first = forward(f.band, right[:size, None], f.unknowns)[:, 0]
    shared = np.zeros(right.size - size)
    if q:
        half = np.linalg.solve(f.corner, right[size:] - f.coupling.T @ first)
        shared = np.linalg.solve(f.corner.T, half)
        first = first - f.coupling @ shared
    return np.concatenate([backward(f.band, first[:, None], f.unknowns)[:, 0], shared])


def draw(f: Factor, count: int, rng: np.random.Generator) -> Array:
    """(K n + Q, count) draws [rad, shared in their own units] of the Gaussian that was factored."""
    size, q = f.coupling.shape
    shared = np.linalg.solve(f.corner.T, rng.standard_normal((q, count)))
    body = rng.standard_normal((size, count)) - f.coupling @ shared
    return np.concatenate([backward(f.band, body, f.unknowns), shared])
