"""Drag and damping that change along a line: their shape, and that every engine takes them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.mechanics import accounts
from lashwave.mechanics.along_line import damping_slope_sd, drag_shape, shape_along, uneven
from lashwave.mechanics.chain import build
from lashwave.mechanics.node_forces import abreast, forces
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.side_by_side import together
from lashwave.mechanics.simulation import SimulationError, setup
from lashwave.quantities import DAMPING_SLOPE, DRAG_SLOPE
from lashwave.quantities.line import Line
from tests.mechanics.small_chains import GRAVITY, WHEN, hand, moving
from tests.mechanics.test_side_by_side import FINENESS, members

LINE = Line(
    np.array([0.0, 0.2, 1.2]), np.array([8e-3, 8e-3, 2e-3]), np.array([0.03, 0.03, 0.005]),
    np.array([1e-3, 1e-3, 1e-5]), handle_length=0.2,
)  # fmt: skip


def test_a_slope_is_what_lies_between_the_grips_end_and_the_tip():
    """Nought in the mean over the outer half; a grip keeps the scale."""
    ends = shape_along(LINE, np.array([0.1, 0.2, 1.2]))
    assert ends == pytest.approx([0.0, -0.75, 0.25], abs=1e-12)
    outer = shape_along(LINE, np.linspace(0.7, 1.2, 51))
    assert outer.mean() == pytest.approx(0.0, abs=1e-12)
    chain = build(LINE, np.array([0.0, 0.2, 0.4, 0.9, 1.2]), LINE.bending_stiffness)
    made = uneven(LINE, chain, {DRAG_SLOPE: 0.3, DAMPING_SLOPE: -0.8})
    assert np.log(made.drag_factor) == pytest.approx(0.3 * np.array([0.0, -0.65, -0.3, 0.1]))
    assert np.log(made.damping_factor) == pytest.approx(-0.8 * np.array([0, -0.75, -0.55, -0.05]))
    assert np.log(made.drag_factor) == pytest.approx(0.3 * drag_shape(LINE, chain))
    plain = uneven(LINE, chain, {})
    assert (plain.drag_factor == 1.0).all() and (plain.damping_factor == 1.0).all()
    assert np.array_equal(plain.bend, chain.bend)


def test_the_damping_may_go_as_the_diameter_to_a_power_about_nought():
    """An even spread from -1 to 1 has a deviation of 1 / sqrt 3; from 8 to 2 mm that is ln 4."""
    assert damping_slope_sd(LINE) == pytest.approx(np.log(4.0) / np.sqrt(3.0))
    assert damping_slope_sd(replace(LINE, diameter=np.full(3, 3e-3))) == 0.0


@pytest.mark.parametrize("kind", ["handle", "clamp", "held", "pinned"])
def test_every_engine_loses_by_each_joints_own_damping(kind):
    """Losses of one state: of joints one by one, and of all of them by either engine."""
    m = moving(kind, 3)
    first, links = m.ready.first, m.chain.links
    factor = np.random.default_rng(1).uniform(0.3, 3.0, links)

    def lost(damping):
        chain = replace(m.chain, damping_factor=damping)
        near = hand(np.random.default_rng(3), np.zeros(3))
        ready = setup(chain, near, m.medium, GRAVITY, m.law, m.far)
        ready = ready._replace(near=m.ready.near)
        slope, space = np.empty(m.state.size), room(links)
        derivative(ready, WHEN, m.state, slope, space)
        x = np.vstack([np.zeros(3), np.cumsum(m.length[:, None] * space.t, axis=0)])
        v = space.v.copy()
        spent, f = np.zeros(8), np.zeros((links + 1, 3))
        ends = space.near, space.far
        room_ = abreast(ready.body)
        forces(ready, x, v, space.t.copy(), space.w.copy(), f, *ends, spent, room_)
        inner = accounts.bending_forces(chain, x[None], v[None], m.law)[2][0]
        return slope[-10], spent[1], inner

    even, uneven_ = lost(np.ones(links)), lost(factor)
    assert uneven_[2] == pytest.approx(factor * even[2], rel=1e-12)
    ends = lost(np.r_[2.0, np.ones(links - 1)])[0] - even[0] if first == 0 else 0.0
    last = lost(np.r_[np.ones(links - 1), 2.0])[0] - even[0] - even[2][-1]
    expected = uneven_[2].sum() + factor[0] * ends + factor[-1] * last
    assert uneven_[0] == pytest.approx(expected, rel=1e-9)
    assert uneven_[1] == pytest.approx(expected, rel=1e-9)
    assert abs(expected / even[0] - 1.0) > 0.05


def test_an_ensemble_says_that_it_takes_even_lines_only():
    asked, made = members(2, True)
    chain, grip, air, law, _ = made[1]
    rough = replace(chain, drag_factor=np.linspace(0.9, 1.1, chain.links))
    other = asked[1]._replace(ready=setup(rough, grip, air, GRAVITY, law))
    with pytest.raises(SimulationError, match="alike all along"):
        together([asked[0], other], FINENESS, beyond=11)
