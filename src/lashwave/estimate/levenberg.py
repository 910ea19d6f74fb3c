"""Levenberg's damped Gauss-Newton on a stretch of the record, damping in radians.

Damping by the Hessian's own diagonal would freeze the soft shapes, because that diagonal is as
stiff as 1 / h^2; a plain multiple of the identity does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.momentum_rows import LAW_NAMES
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


def _diagonal(normal: eq.Normal, damping: float) -> Array:
    """(K n,) [1/rad2], the damping and where links stiffen as they turn."""
    one = np.full((normal.stiffening.shape[0], normal.unknowns), damping)
    one[:, :3] /= BASE_LENGTH**2
    one[:, 3:] += np.repeat(np.maximum(normal.stiffening, 0.0), 2, axis=1)
    return one.ravel()


def _shortened(setup: FitSetup, step: Array, count: int) -> Array:
    body = step[: count * setup.unknowns].reshape(count, setup.unknowns)
    turn = np.abs(body[:, 3:]).max(initial=0.0) / LARGEST_TURN
    first = count * setup.unknowns
    laws = len(LAW_NAMES) + setup.stiffness.sloped
    scale = np.abs(step[first : first + laws]).max(initial=0.0) / LARGEST_SCALE
    return step / max(turn, scale, 1.0)


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
    small = 0
    for i in range(iterations):
        n, accepted, gain = _one_step(setup, search, density, weights, anchor, hold_shared)
        search.history.append({"cost": n.cost, "gain": gain, "damping": search.damping})
        if progress is not None:
            progress(i, n.cost)
        small = small + 1 if gain < tolerance * n.cost else 0
        if not accepted or small == 2:
            break
        if not isinstance(spread, np.ndarray):
            density = spread(search.path)
    return search


def _one_step(
    setup: FitSetup, search: Search, density: Array, weights: Weights, anchor: Anchor,
    hold_shared: bool,
) -> tuple[eq.Normal, bool, float]:  # fmt: skip
    """Try ever shorter steps until the cost falls; the equations, whether one did, by how much."""
    if search.damping >= HIGHEST_DAMPING:  # the last step that was taken ended there
        search.damping = AGAIN
    while search.damping < HIGHEST_DAMPING:
        # the factor takes the band's place, so that a second try forms the equations again
        n = eq.build(setup, search.path, density, weights, anchor, search.room)
        count = search.path.time.size
        size = n.gradient.size - (n.corner.shape[0] if hold_shared else 0)
        try:
            diagonal = _diagonal(n, search.damping)
            f = eq.factor(n, diagonal, hold_shared, overwrite=True)
        except np.linalg.LinAlgError:
            search.damping = max(search.damping, 1e-3) * 10
            continue
        step = np.zeros(n.gradient.size)
        step[:size] = -eq.solve(f, n.gradient[:size])
        step = _shortened(setup, step, count)
        for share, change in SHARES:
            trial = moved(setup, search.path, n.axes, share * step)
            cost = eq.cost_of(setup, trial, density, weights, anchor)
            if np.isfinite(cost) and cost < n.cost:
                if share == 1.0 and n.cost - cost > -float(n.gradient @ step):
                    trial, cost = _bolder(
                        setup, search.path, n, step, cost, density, weights, anchor
                    )
                search.path = trial
                search.damping = max(search.damping * change, 1e-3)
                return n, True, n.cost - cost
            if abs(cost - n.cost) < FLAT * n.cost:
                return n, True, 0.0
        search.damping *= 10
    search.damping = AGAIN
    return n, False, 0.0


def _bolder(
    setup: FitSetup, path: Path, n: eq.Normal, step: Array, cost: float, density: Array,
    weights: Weights, anchor: Anchor,
) -> tuple[Path, float]:  # fmt: skip
    """The path after a step that lowers the cost, taken twice as far as long as that pays."""
    best, share = moved(setup, path, n.axes, step), 2.0
    while share <= BOLDEST:
        trial = moved(setup, path, n.axes, _shortened(setup, share * step, path.time.size))
        further = eq.cost_of(setup, trial, density, weights, anchor)
        if not further < cost:
            break
        best, cost, share = trial, further, 2.0 * share
    return best, cost
