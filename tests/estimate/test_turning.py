"""What turning links add to the curvature, against differences of the cost and of places.

Neither check knows the formula: the pull of the nodes is the slope of the cost where nodes are
moved by hand, without the links; the arcs' curvature is a second difference of the places.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import assembly
from lashwave.estimate.path import places, turned, with_shares
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.estimate.turning import stiffening
from tests.estimate.small_fit import path_of, setup_of, trial_of

SMALL = 1e-6
TURN = 1e-4


def found_of(setup, path, spread, rows, starts):
    """(K, N) [1/rad2] as a build has it."""
    count, n, shared = path.time.size, setup.unknowns, setup.shared.mean.size
    size, deep = count * n, 3 * n
    out = np.full((count, setup.chain.links), np.nan)
    assembly.assemble(
        assembly.Equations(
            np.zeros(size * deep), deep, np.zeros((size, shared)), np.zeros(size + shared),
            np.zeros((shared, shared)), out,
        ),
        assembly.RowInputs(
            path.course, path.axes, path.reach(setup), setup.kernel_chain(path.shared),
            setup.dynamics(path.shared), spread, starts, rows,
        ),
    )  # fmt: skip
    return out


def cost_of_places(setup, path, spread, rows, starts, node):
    """Cost of the dynamics and the sightings with the nodes (K, N + 1, 3) put where they are."""
    course = path.course._replace(node=node)
    chain, dynamics = setup.kernel_chain(path.shared), setup.dynamics(path.shared)
    total = assembly.dynamics_cost(course, chain, dynamics, spread)[0].sum()
    which, p, w, value, _, _ = rows
    centre = np.repeat(np.arange(path.time.size), np.diff(starts))
    moved = value.copy()
    for s in range(3):
        away = node[centre - 1 + s] - path.node[centre - 1 + s]
        here = np.arange(centre.size)
        for e in range(2):
            used = which[:, e] >= 0
            part = (p[:, e] * away[here, np.maximum(which[:, e], 0)]).sum(-1)
            moved += w[:, s] * np.where(used, part, 0.0)
    return total + (moved**2).sum()


@pytest.mark.parametrize("seed", [3, 4])
def test_a_link_gains_what_all_beyond_it_pull_along_it(seed):
    rng = np.random.default_rng(seed)
    setup = setup_of(trial_of(rng))
    setup = replace(setup, air=np.array([0.0, 1.8e-5, 343.0]))  # air is left out of the pull
    setup = replace(setup, driven=np.zeros_like(setup.driven))  # and so is the hand
    path = path_of(setup, rng, 5)
    spread = rng.uniform(1.0, 30.0, path.node.shape[:2])
    path = with_shares(setup, path, spread)
    seen = look(setup, path, full_weights(setup))
    found = found_of(setup, path, spread, seen.rows, seen.starts)
    pull = np.zeros_like(path.node)
    for at in np.ndindex(*pull.shape):
        sides = []
        for sign in (1.0, -1.0):
            node = path.node.copy()
            node[at] += sign * SMALL
            sides.append(cost_of_places(setup, path, spread, seen.rows, seen.starts, node))
        pull[at] = (sides[0] - sides[1]) / (4.0 * SMALL)  # of half the cost
    for k, j in np.ndindex(*found.shape):
        second = 0.0
        for sign in (1.0, 0.0, -1.0):
            angle = np.zeros((*found.shape, 2))
            angle[k, j, 0] = sign * TURN
            moved = places(path.base, turned(path.direction, path.axes, angle), path.chord)
            second += (1.0 if sign else -2.0) * float((pull * (moved - path.node)).sum())
        assert found[k, j] == pytest.approx(second / TURN**2, abs=1e-5 * np.abs(found).max())


def test_of_a_straight_line_pulled_at_its_tip():
    """By hand: a pull P along the line stiffens each link by P times its length."""
    chord = np.array([0.3, 0.2, 0.1])
    pull = np.zeros((4, 3))
    pull[3, 2] = -5.0  # the cost falls as the tip goes on outward
    out = np.empty(3)
    stiffening(pull, np.tile([0.0, 0.0, 1.0], (3, 1)), chord, out)
    assert out == pytest.approx(5.0 * chord)
