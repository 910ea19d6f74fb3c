"""Levenberg's damped Gauss-Newton on a stretch of the record, damping in radians.

Damping by the Hessian's own diagonal would freeze the soft shapes, because that diagonal is as
stiff as 1 / h^2; a plain multiple of the identity does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.elimination import Elimination
from lashwave.estimate.path import Path, moved, with_shares
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Weights
from lashwave.quantities import Array

BASE_LENGTH = 0.1
"""A base point moved this far [m] counts as a radian."""
LARGEST_TURN = 0.6
"""No link turns further in one step [rad]."""
LARGEST_SCALE = 0.7
"""No scale of the law changes further in one step, in the logarithm."""
HIGHEST_DAMPING = 1e9
AGAIN = 1e3
"""Damping with which a search goes on that came to the highest."""
SHARES = ((1.0, 1 / 8), (0.5, 4.0), (0.2, 30.0))
"""Of a step, tried in turn before the damping is raised (a cost is cheap beside a factor), and the
factor on the damping of the next step where that share lowers the cost."""
BOLDEST = 8.0
"""Most times over that a step is taken which lowers the cost by more than was foreseen."""
FLAT = 3e-5
"""A step that changes the cost by less than this share of it counts as none."""


@dataclass
class Search:
    """Where a minimisation stands; `damping` is carried from stage to stage."""

    path: Path
    damping: float = 1.0
    history: list[dict[str, float]] = field(default_factory=list)
    room: eq.BandMemory = field(default_factory=eq.BandMemory)


def diagonal(normal: eq.Normal, damping: float) -> Array:
    """(K n,) [1/rad2], the damping and where links stiffen as they turn."""
    return damped(damping, normal, 0, normal.stiffening.shape[0])


def damped(damping: float, of: eq.Normal | eq.Formed, first: int, last: int) -> Array:
    """The same (K n,) [1/rad2], of the K times first ... last - 1."""
    one = np.full((last - first, of.unknowns), damping)
    one[:, :3] /= BASE_LENGTH**2
    one[:, 3:] += np.repeat(np.maximum(of.stiffening[first:last], 0.0), 2, axis=1)
    return one.ravel()


def _shortened(setup: FitSetup, step: Array, count: int) -> Array:
    body = step[: count * setup.unknowns].reshape(count, setup.unknowns)
    turn = np.abs(body[:, 3:]).max(initial=0.0) / LARGEST_TURN
    first = count * setup.unknowns
    scale = np.abs(step[first : first + setup.laws]).max(initial=0.0) / LARGEST_SCALE
    return step / max(turn, scale, 1.0)


@dataclass(frozen=True)
class Newton:
    """What the equations at a path say: its cost, and where the cost falls to first order."""

    cost: float
    gradient: Array
    """(K n + Q,) of half the cost [1/rad, shared parameters' in their own units]"""
    step: Array
    """(K n + Q,) [rad, shared in their own units]"""
    axes: Array | None = None
    """(K, N, 3, 2), tangent axes in which the step turns; None: those that the path has."""


class CostProblem(Protocol):
    """A cost to be lowered, with everything held but the path."""

    @property
    def setup(self) -> FitSetup: ...

    def cost(self, path: Path) -> float:
        """At a path [1]."""
        ...

    def newton(self, path: Path, damping: float) -> Newton:
        """The equations at a path, solved; raises LinAlgError where they are not definite."""
        ...

    def moved(self, path: Path, axes: Array | None, step: Array) -> Path:
        """The path after a step (K n + Q,) [rad, shared in their own units]."""
        ...


@dataclass(frozen=True)
class Undivided:
    """The problem of a stretch of the record whose equations are held in memory at once."""

    setup: FitSetup
    density: Array
    """(K, N + 1) [m2/s3], of the random acceleration."""
    weights: Weights
    anchor: Anchor
    room: eq.BandMemory
    hold_shared: bool = False

    def cost(self, path: Path) -> float:
        """At a path [1]."""
        return eq.cost_of(self.setup, path, self.density, self.weights, self.anchor)

    def newton(self, path: Path, damping: float) -> Newton:
        """The equations at a path, solved; raises LinAlgError where they are not definite."""
        # the factor takes the band's place, so that a second try forms the equations again
        chase = Elimination(partial(damped, damping), self.hold_shared)
        given = (self.setup, path, self.density, self.weights, self.anchor, self.room)
        n = eq.build(*given, chase=chase)
        size = n.gradient.size - (n.corner.shape[0] if self.hold_shared else 0)
        step = np.zeros(n.gradient.size)
        step[:size] = -eq.solve(chase.factor(n), n.gradient[:size], chase.begun)
        return Newton(n.cost, n.gradient, step, n.axes)

    def moved(self, path: Path, axes: Array | None, step: Array) -> Path:
        """The path after a step (K n + Q,) [rad, shared in their own units]."""
        return moved(self.setup, path, path.axes if axes is None else axes, step)


def minimise(
    setup: FitSetup,
    search: Search,
    spread: Array | Callable[[Path], Array],
    weights: Weights,
    anchor: Anchor,
    iterations: int,
    *,
    hold_shared: bool = False,
    tolerance: float = 1e-3,
    progress: Callable[[int, float], None] | None = None,
) -> Search:
    """Lower the cost by at most `iterations` accepted steps.

    spread : density of the random acceleration (K, N + 1) [m2/s3], or what gives it for a path.

    Stops when two steps running lower the cost by less than `tolerance` of itself. The
    search is changed in place and returned.
    """
    density = spread if isinstance(spread, np.ndarray) else spread(search.path)
    search.path = with_shares(setup, search.path, density)

    def problem(path: Path) -> CostProblem:
        own = spread if isinstance(spread, np.ndarray) else spread(path)
        return Undivided(setup, own, weights, anchor, search.room, hold_shared)

    return descend(problem, search, iterations, tolerance, progress)


def descend(
    problem_at: Callable[[Path], CostProblem],
    search: Search,
    iterations: int,
    tolerance: float,
    progress: Callable[[int, float], None] | None = None,
) -> Search:
    """Lower the cost of the problem that each path is given, as `minimise` does."""
    small = 0
    for i in range(iterations):
        n, accepted, gain = _one_step(problem_at(search.path), search)
        search.history.append({"cost": n.cost, "gain": gain, "damping": search.damping})
        if progress is not None:
            progress(i, n.cost)
        small = small + 1 if gain < tolerance * n.cost else 0
        if not accepted or small == 2:
            break
    return search


def _one_step(problem: CostProblem, search: Search) -> tuple[Newton, bool, float]:
    """Try ever shorter steps until the cost falls; the equations, whether one did, by how much."""
    if search.damping >= HIGHEST_DAMPING:  # the last step that was taken ended there
        search.damping = AGAIN
    n: Newton | None = None
    while search.damping < HIGHEST_DAMPING:
        try:
            n = problem.newton(search.path, search.damping)
        except np.linalg.LinAlgError:
            search.damping = max(search.damping, 1e-3) * 10
            continue
        step = _shortened(problem.setup, n.step, search.path.time.size)
        for share, change in SHARES:
            trial = problem.moved(search.path, n.axes, share * step)
            cost = problem.cost(trial)
            if np.isfinite(cost) and cost < n.cost:
                if share == 1.0 and n.cost - cost > -float(n.gradient @ step):
                    trial, cost = _bolder(problem, search.path, n, step, cost)
                search.path = trial
                search.damping = max(search.damping * change, 1e-3)
                return n, True, n.cost - cost
            if abs(cost - n.cost) < FLAT * n.cost:
                return n, True, 0.0
        search.damping *= 10
    search.damping = AGAIN
    if n is None:
        nothing = np.zeros(0)
        n = Newton(problem.cost(search.path), nothing, nothing)
    return n, False, 0.0


def _bolder(
    problem: CostProblem, path: Path, n: Newton, step: Array, cost: float
) -> tuple[Path, float]:
    """The path after a step that lowers the cost, taken twice as far as long as that pays."""
    best, share = problem.moved(path, n.axes, step), 2.0
    while share <= BOLDEST:
        longer = _shortened(problem.setup, share * step, path.time.size)
        trial = problem.moved(path, n.axes, longer)
        further = problem.cost(trial)
        if not further < cost:
            break
        best, cost, share = trial, further, 2.0 * share
    return best, cost
