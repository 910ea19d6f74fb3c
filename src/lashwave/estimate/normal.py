"""Normal equations of a stretch, their factor, and what the factor gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lashwave.estimate.anchor import Anchor
from lashwave.estimate.assembly import Equations, RowInputs, assemble, dynamics_cost
from lashwave.estimate.blocks import backward, factor_in_place, forward, memory_of
from lashwave.estimate.jerk_rows import TIMES, jerk_of, jerk_rows, width
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Seen, Weights, look
from lashwave.mechanics import each
from lashwave.quantities import Array, NotConvergedError

LEAST_DAMPING = 1e-9
"""Added to the diagonal where nothing is to be held back [1/rad2]: rounding alone would make some
equations indefinite."""


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


@dataclass(frozen=True)
class Formed:
    """Equations that are being formed, from the first time on."""

    band: Array
    border: Array
    gradient: Array
    stiffening: Array
    unknowns: int
    """As of `Normal`."""


Chase = Callable[[Formed, int, int], None]
"""What follows the forming: called with the first of the times whose columns are ready now and the
one after the last, in order."""


def build(
    setup: FitSetup,
    path: Path,
    spread: Array,
    weights: Weights,
    anchor: Anchor | None,
    room: BandMemory | None = None,
    own: tuple[int, int] | None = None,
    chase: Chase | None = None,
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
    chase : what is done with columns as they are ready, in order of time, while others are formed.
    """
    seen = look(setup, path, weights)
    n, count, q = setup.unknowns, path.time.size, setup.shared.mean.size
    axes = path.axes
    jerk = jerk_of(setup, path) if np.isfinite(setup.hand_jerk) and count >= TIMES else None
    deep = 3 * n + (0 if jerk is None else width(setup))
    band = (room or BandMemory()).band(deep, count * n)
    border, corner = np.empty((count * n, q)), np.empty((q, q))
    gradient, stiffening = np.empty(count * n + q), np.empty((count, (n - 3) // 2))
    of_anchor = 0.0
    if anchor is not None:
        matrix, offset = anchor.rows(axes), anchor.residual(path)
        block, pull = matrix.T @ matrix, matrix.T @ offset
        of_anchor = float(offset @ offset)

    def filled(first: int, last: int) -> None:
        if first == 0 and anchor is not None:
            for i in range(2 * n):
                band[: 2 * n - i, i] += block[i:, i]
            gradient[: 2 * n] += pull
        if jerk is not None:
            jerk.add(band, gradient[: count * n], first, last)
        if chase is not None:
            chase(Formed(band, border, gradient, stiffening, n), first, last)

    cost, tension = assemble(
        Equations(memory_of(band), deep, border, gradient, corner, stiffening),
        RowInputs(
            path.course, axes, path.reach(setup), setup.kernel_chain(path.shared),
            setup.dynamics(path.shared), spread, seen.starts, seen.rows,
        ),
        own, filled,
    )  # fmt: skip
    of_prior = 0.0
    if anchor is not None:
        prior = (path.shared - setup.shared.mean) / setup.shared.sd
        corner[np.diag_indices(q)] += 1.0 / setup.shared.sd**2
        gradient[count * n :] += prior / setup.shared.sd
        of_prior = float(prior @ prior)
    if jerk is not None:
        cost += jerk.cost(slice(*own) if own else slice(None))
    cost += of_anchor
    cost += of_prior
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
    by_node, _ = dynamics_cost(path.course, chain, dynamics, spread)
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


AT_ONCE = 30
"""Draws, or some more, that one thread solves together; a band is read once for all of them."""


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
    none = np.zeros((band.shape[1], 0))
    return bordered(normal, none if hold_shared else forward(band, normal.border, n), band)


def bordered(normal: Normal, coupling: Array, band: Array | None = None) -> Factor:
    """The whole factor, no unit, from the times' own and its inverse applied to the border.

    coupling : (K n, Q), the latter; where it has no columns, shared parameters are held.
    band : (D, K n) of the factor, in the memory of `normal.band` where None.

    Raises LinAlgError where it is not definite.
    """
    band = normal.band if band is None else band
    if coupling.shape[1] == 0:
        return Factor(band, coupling, np.zeros((0, 0)), normal.unknowns)
    rest = normal.corner - coupling.T @ coupling
    root = np.asarray(np.linalg.cholesky(rest), dtype=float)
    return Factor(band, coupling, root, normal.unknowns)


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


def solve(f: Factor, right: Array, begun: Array | None = None) -> Array:
    """Solve the factored equations for right-hand sides (K n + Q,) [1/rad]; held parameters stay.

    begun : (K n,), the times' factor's inverse applied to them, where that is known.

    The solution (K n + Q,) is in [rad], of shared parameters in their own units."""
    size, q = f.coupling.shape
    first = forward(f.band, right[:size, None], f.unknowns)[:, 0] if begun is None else begun
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
    parts = np.array_split(body, max(1, count // AT_ONCE), axis=1)
    solved = each(lambda part: backward(f.band, part, f.unknowns), parts)
    return np.concatenate([np.concatenate(solved, axis=1), shared])
