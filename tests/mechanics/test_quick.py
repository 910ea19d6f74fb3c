"""The leapfrog against the recursion on links with the same masses, and its accounts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.throw import GRAVITY, chain, grip, line
from lashwave.mechanics.air import medium
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.kernels import bending, loads
from lashwave.mechanics.law import Law
from lashwave.mechanics.node_forces import abreast, forces
from lashwave.mechanics.quick import simulate_quickly
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.simulation import setup, simulate
from lashwave.quantities.trial import Air

TIMES = np.linspace(0.0, 0.4, 5)


def throw() -> tuple:
    """A line on a rigid grip that is flung, its tip free."""
    return chain(12), grip(), None


def between_hands() -> tuple:
    """The same line, clamped without a grip, its far end held where it cannot hang straight."""
    held = replace(line(), handle_length=0.0, ends="held")
    body = build(held, np.linspace(0.0, held.length, 11), held.bending_stiffness)
    body = replace(body, bend=np.concatenate([[2.0 * body.bend[1]], body.bend[1:]]))
    near, along = grip(), np.array([1.0, 0.0, 0.0])
    return body, near, fixed(near.position[0] + np.array([1.9, 0.0, 0.1]), along)


@pytest.mark.parametrize("scene", [throw, between_hands])
def test_it_goes_where_the_recursion_goes_and_its_accounts_close(scene) -> None:
    body, near, far = scene()
    start = rest_shape(body, near, GRAVITY, Law(), far=far)
    given = (near, medium(Air()), GRAVITY, Law(), TIMES, start)
    exact = simulate(body.with_point_masses(), *given, far=far, rtol=1e-9, implicit=False)
    off, left, lost = [], [], []
    for turn in (0.04, 0.02):
        fineness = (turn, 5 * turn, 0.02 * turn)
        quick = simulate_quickly(body, *given, far=far, fineness=fineness)
        off.append(np.abs(quick.position - exact.position).max())
        left.append(np.abs(quick.accounts.energy_rest).max())
        lost.append(np.abs(quick.accounts.momentum_rest).max())
    # Second order: half the step, a quarter of the error.
    assert off[0] < 1e-4 and off[1] < 0.32 * off[0], off
    assert max(left) < 1e-3 * np.ptp(exact.accounts.kinetic + exact.accounts.gravity), left
    assert max(lost) < 1e-4, lost
    free = slice(body.handle_links, body.links - body.held_links)
    assert np.allclose(quick.tension[1:, free], exact.tension[1:, free], rtol=5e-3, atol=2e-3)
    assert np.allclose(quick.hand_force[1:], exact.hand_force[1:], rtol=5e-3, atol=2e-3)
    assert np.allclose(quick.hand_power[1:], exact.hand_power[1:], rtol=5e-3, atol=2e-3)
    ends = (quick.accounts.end_impulse, exact.accounts.end_impulse)
    assert np.allclose(*ends, rtol=0.01, atol=1e-3)


@pytest.mark.parametrize("links", [12, 40])
def test_its_forces_are_those_of_the_one_law(links: int) -> None:
    """Of fewer links than stand side by side, and of more."""
    body = chain(links)
    ready = setup(body, grip(), medium(Air()), GRAVITY, Law())
    rng = np.random.default_rng(3)
    t = rng.normal(size=(body.links, 3))
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    along = body.length[:, None] * t
    x = np.vstack([np.zeros(3), np.cumsum(along, axis=0)])
    v = rng.normal(size=x.shape) * 30.0
    f, w, spent = np.zeros_like(x), np.zeros_like(t), np.zeros(8)
    forces(
        ready,
        x,
        v,
        np.zeros_like(t),
        w,
        f,
        np.zeros((6, 3)),
        np.zeros((6, 3)),
        spent,
        abreast(ready.body),
    )
    force, drag, torque = np.zeros_like(x), np.zeros_like(x), np.zeros_like(t)
    power = loads(ready.body, t, v, force, drag)
    rate = np.diff(v, axis=0) / body.length[:, None]
    lost = bending(ready.body, t, rate, torque)
    np.testing.assert_allclose(w, rate, rtol=1e-12)
    np.testing.assert_allclose(spent[:2], [power, lost], rtol=1e-12)
    np.testing.assert_allclose(spent[2:5], drag.sum(axis=0), rtol=1e-12)
    # What is left is bending: no force in all, and of each link the torque across it.
    bent = f - force
    np.testing.assert_allclose(bent.sum(axis=0), 0.0, atol=1e-12 * np.abs(bent).max())
    across = torque - (torque * t).sum(axis=1, keepdims=True) * t
    np.testing.assert_allclose((bent * v).sum(), (across * rate).sum(), rtol=1e-9)
