"""Where a line comes to bend beside its grip: an unknown of the fit.

A line that leaves its grip a little further out than the chain has it: the grip runs on by d as it
points, the rest of the line as it points itself, a drawing of two straight pieces.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, chords, moved, swing_of, with_shares
from lashwave.estimate.setup import HINGE, LENGTH, set_up
from lashwave.estimate.sighting_rows import full_weights, look
from tests.estimate.small_fit import path_of, setup_of, trial_of

D = 3e-3


def elbow(setup, angle):
    """A path of a grip along z and a straight line that leaves it at an angle (K,) [rad]."""
    links = setup.chain.links
    direction = np.zeros((angle.size, links, 3))
    direction[:, 0, 2] = 1.0
    direction[:, 1:, 0] = np.sin(angle)[:, None]
    direction[:, 1:, 2] = np.cos(angle)[:, None]
    time = 0.2 + 1e-3 * np.arange(angle.size)
    shared = setup.shared.mean.copy()
    base = np.zeros((angle.size, 3))
    return Path(time, base, direction, shared, chords(setup, direction))


def test_the_places_are_those_of_a_longer_grip_and_a_shorter_line():
    setup = set_up(
        trial_of(np.random.default_rng(1)),
        Options(spacing_butt=0.1, spacing_tip=0.1, spacing_clamp=0.01),
    )
    angle = np.linspace(0.3, 2.5, 6)
    path = elbow(setup, angle)
    path.shared[setup.shared.index(HINGE)] = D
    path = replace(path, swing=swing_of(setup, path), hinge=setup.shared.index(HINGE))
    found = path.node - path.bare
    grip, line = path.direction[:, 0], path.direction[:, -1]
    longer = D * (grip - line)  # the grip's d more, the line's d less
    far = setup.chain.station - setup.chain.station[1] > 0.1
    for node in np.flatnonzero(far):
        assert found[:, node] == pytest.approx(longer, abs=1e-4 * D)
    assert np.all(found[:, :2] == 0.0)  # the grip itself stays
    straight = elbow(setup, np.zeros(4))
    assert swing_of(setup, straight) == pytest.approx(0.0, abs=1e-15)


def test_a_line_without_a_grip_has_no_such_unknown():
    setup = setup_of(trial_of(np.random.default_rng(1), handle=0.0))
    assert HINGE not in setup.shared.names


@pytest.mark.parametrize("name", [HINGE, LENGTH])
def test_the_rows_say_of_it_what_differences_do(name):
    """The value of each row by the unknown, of the line's length too: only tips tell of it."""
    rng = np.random.default_rng(5)
    setup = setup_of(trial_of(rng))
    path = path_of(setup, rng, 7)
    path = with_shares(setup, path, np.ones(path.node.shape[:2]))
    column = setup.shared.index(name)
    seen = look(setup, path, full_weights(setup))
    _, _, _, _, tcol, tval = seen.rows
    found = np.where(tcol == column, tval, 0.0).sum(axis=1)
    step = np.zeros(path.time.size * setup.unknowns + path.shared.size)
    step[path.time.size * setup.unknowns + column] = 1e-6
    sides = [
        look(setup, moved(setup, path, path.axes, s * step), full_weights(setup)).rows[3]
        for s in (1.0, -1.0)
    ]
    assert found == pytest.approx((sides[0] - sides[1]) / 2e-6, abs=1e-5 * np.abs(found).max())
    assert np.abs(found).max() > 1.0
