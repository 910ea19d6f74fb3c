"""The traced run beside the plain leapfrog: the same motion, kept at every step."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.throw import GRAVITY, chain
from lashwave.mechanics.air import medium
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.quick import simulate_quickly
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.simulation import SimulationError, setup
from lashwave.mechanics.traced import COLUMNS, EVERY, Wanted, traced
from lashwave.quantities.trial import Air

FINENESS = np.array([0.05, 0.25, 2e-4])


def grip() -> Grip:
    """A hand at rest that is flung forward."""
    t = np.linspace(-0.05, 0.6, 400)
    way = 6.0 * np.maximum(t, 0.0) ** 4
    turn = 40.0 * np.maximum(t, 0.0) ** 4
    return Grip(t, np.stack([way, 0.1 * way, 0 * t], axis=1),
                np.stack([np.sin(turn), 0 * t, -np.cos(turn)], axis=1))  # fmt: skip


def test_a_trace_is_the_motion_of_the_leapfrog_and_its_account() -> None:
    body, air = chain(12), medium(Air())
    start = rest_shape(body, grip(), GRAVITY, Law())
    ready = setup(body, grip(), air, GRAVITY, Law())
    beyond = body.links - 2
    still = np.zeros_like(start)
    wanted = Wanted(0.0, 0.3, 9.0, beyond)
    rows, account, _ = traced(ready, body.node_mass, wanted, start, still, FINENESS)
    named = dict(zip(COLUMNS, rows.T, strict=True))
    picked = np.arange(40, len(rows), 97)
    times = np.concatenate([[0.0], named["time"][picked]])
    motion = simulate_quickly(
        body, grip(), air, GRAVITY, Law(), times, start, fineness=tuple(FINENESS)
    )
    end = slice(beyond, None)
    kinetic = 0.5 * (motion.velocity[1:, end] ** 2).sum(-1) @ body.node_mass[end]
    speed = np.linalg.norm(motion.velocity[1:, -1], axis=1)
    force = np.linalg.norm(motion.hand_force[1:], axis=1)
    np.testing.assert_allclose(named["tip_speed"][picked], speed, rtol=1e-4, atol=1e-5)
    np.testing.assert_allclose(named["tip_x"][picked], motion.position[1:, -1, 0], atol=1e-8)
    np.testing.assert_allclose(named["grip_force"][picked], force, rtol=1e-4, atol=1e-5)
    np.testing.assert_allclose(named["end_energy"][picked], kinetic, rtol=1e-4, atol=1e-10)
    t = np.diff(motion.position[1:], axis=1) / body.length[:, None]
    least = (t[:, beyond - 1 : -1] * t[:, beyond:]).sum(-1).min(axis=1)
    np.testing.assert_allclose(named["cosine"][picked], least, atol=1e-6)
    # The account of energy, at the steps that it is closed at.
    closed = named["time"][::EVERY]
    own = np.interp(times[1:], closed, account[:, 1])
    np.testing.assert_allclose(own, motion.accounts.kinetic[1:], atol=2e-4)
    rest = np.interp(times[1:], closed, account[:, 0])
    np.testing.assert_allclose(rest, motion.accounts.energy_rest[1:], atol=2e-5)


def test_it_ends_when_the_tip_is_calm_or_the_time_is_up_and_tells_when_steps_are_spent() -> None:
    body, air = chain(12), medium(Air())
    start = rest_shape(body, grip(), GRAVITY, Law())
    ready = setup(body, grip(), air, GRAVITY, Law())
    still = np.zeros_like(start)
    rows, _, _ = traced(ready, body.node_mass, Wanted(0.0, 0.1, 9.0, 10), start, still, FINENESS)
    assert 0.1 < rows[-1, 0] < 0.101
    with pytest.raises(SimulationError, match="after 50 steps"):
        traced(ready, body.node_mass, Wanted(0.0, 1.0, 9.0, 10), start, still, FINENESS, most=50)
