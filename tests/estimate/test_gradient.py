"""The equations' gradient against central differences of the cost, one unknown at a time.

A fit ends at a minimum only where both are of one cost. Against the formula of neither.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import assembly
from lashwave.estimate.path import chords, moved, with_shares
from lashwave.estimate.setup import HINGE
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.quantities import DRAG_SLOPE
from tests.estimate.small_fit import path_of, setup_of, trial_of

SMALL = 1e-6
WIDE_STEP = 1e-4
"""[m], for the bend's place: of 1e-6 m, rounding leaves 7e-8 of its slope, of this 1.4e-10."""


def folded(setup, path):
    """The path with one joint folded nearly flat."""
    direction = path.direction.copy()
    direction[:, 2] = -direction[:, 1] + 0.02 * direction[:, 2]
    direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
    return replace(path, direction=direction, chord=chords(setup, direction))


def of_the_dynamics(setup, path, spread):
    """Gradient of half the cost (K n + Q,), sightings left out."""
    count, n, shared = path.time.size, setup.unknowns, setup.shared.mean.size
    size, deep = count * n, 3 * n
    gradient = np.zeros(size + shared)
    seen = look(setup, path, full_weights(setup))
    none = tuple(part[:0] for part in seen.rows)
    assembly.assemble(
        assembly.Equations(
            np.zeros(size * deep), deep, np.zeros((size, shared)), gradient,
            np.zeros((shared, shared)), np.zeros((count, setup.chain.links)),
        ),
        assembly.RowInputs(
            path.course, path.axes, path.reach(setup), setup.kernel_chain(path.shared),
            setup.dynamics(path.shared), spread, np.zeros(count + 1, dtype=np.int64), none,
        ),
    )  # fmt: skip
    return gradient


def cost(setup, path, spread):
    chain, dynamics = setup.kernel_chain(path.shared), setup.dynamics(path.shared)
    return assembly.dynamics_cost(path.course, chain, dynamics, spread)[0].sum()


@pytest.mark.parametrize("bent", ["smooth", "folded"])
def test_the_gradient_is_that_of_the_cost(bent):
    """Differences of 1e-6 rad leave 2e-11 of the largest; that drag grows with a chord is 4e-6."""
    rng = np.random.default_rng(11)
    setup = setup_of(trial_of(rng))
    path = path_of(setup, rng, 5)
    if bent == "folded":
        path = folded(setup, path)
    spread = rng.uniform(1.0, 30.0, path.node.shape[:2])
    path = with_shares(setup, path, spread)
    assert path.share[1:-1].min() > 0.0 and path.share.max() <= 0.25
    found = of_the_dynamics(setup, path, spread)
    last = found.size - path.shared.size
    asked = [*range(last), *(last + setup.shared.index(n) for n in (HINGE, DRAG_SLOPE))]
    expected = np.zeros_like(found)
    for at in asked:
        step = np.zeros(found.size)
        step[at] = small = SMALL if at < last else WIDE_STEP
        sides = [cost(setup, moved(setup, path, path.axes, s * step), spread) for s in (1.0, -1.0)]
        expected[at] = (sides[0] - sides[1]) / (4.0 * small)
    off = np.abs(found - expected)
    assert off[:last].max() < 1e-9 * np.abs(expected[:last]).max()
    bend, drag = asked[-2:]
    assert off[bend] < 1e-9 * np.abs(expected[bend])
    assert off[drag] < 1e-8 * np.abs(expected[drag])  # rounding leaves 3e-9
