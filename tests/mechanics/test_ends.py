"""Every kind of end against dense algebra: accelerations, tensions, the ends' forces and works."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics.accounts import bending_energy
from lashwave.mechanics.bending import bend_energy, sharpness
from lashwave.mechanics.rates import link_tension
from lashwave.mechanics.simulation import unfold
from tests.mechanics.small_chains import (
    GRAVITY,
    KINDS,
    WHEN,
    dense_motion,
    mass_matrix,
    moving,
    node_forces,
)

every = pytest.mark.parametrize("kind", KINDS)
seeds = pytest.mark.parametrize("seed", [1, 2])


def close(got, expected, scale):
    np.testing.assert_allclose(got, expected, rtol=0.0, atol=1e-9 * scale)


@every
@seeds
@pytest.mark.parametrize("steady", [True, False])
def test_accelerations_and_tensions_solve_newtons_law(kind, seed, steady):
    m = moving(kind, seed, steady=steady)
    a, pull, _ = dense_motion(m)
    size = np.abs(a).max()
    close(m.room.a, a, size)
    tension = np.full(m.length.size, np.nan)
    link_tension(m.ready, m.room, tension)
    live = slice(m.ready.first, m.ready.last)
    close(tension[live], pull, np.abs(pull).max())
    # the state's slope: directions turn at their rates, rates at the accelerations across
    free = m.ready.last - m.ready.first
    t, w = m.room.t[live], m.room.w[live]
    turn = np.diff(a, axis=0)[live] / m.length[live, None]
    turn -= (turn * t).sum(1, keepdims=True) * t + (w**2).sum(1, keepdims=True) * t
    np.testing.assert_allclose(m.slope[: 3 * free].reshape(free, 3), w)
    close(m.slope[3 * free : 6 * free].reshape(free, 3), turn, np.abs(turn).max())
    base = m.slope[6 * free : 6 * free + 6]
    expected = np.concatenate([m.room.v[0], a[0]]) if kind == "free" else np.zeros(6)
    close(base, expected, size)


def energies(m, shift):
    """Bending energy of the directions turned on by a time `shift`, clamps included."""
    t = m.room.t + shift * m.room.w
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    links, stored = m.length.size, 0.0
    for j in range(1, links):
        stored += m.ready.body.bend[j] * bend_energy(sharpness(t[j - 1], t[j]))
    if m.kind in ("clamp", "pinned"):
        near = m.near[3] + shift * m.near[4]
        near /= np.linalg.norm(near)
        stored += m.ready.body.bend[0] * bend_energy(sharpness(near, t[0]))
    if m.kind == "pinned":
        far = m.pose[3] + shift * m.pose[4]
        far /= np.linalg.norm(far)
        stored += m.ready.body.bend[links] * bend_energy(sharpness(t[-1], far))
    return stored


@every
@seeds
def test_what_the_ends_give_is_what_moves_and_is_stored_and_lost(kind, seed):
    """Power and force of the ends by the balances of energy and of momentum of the whole."""
    m = moving(kind, seed)
    a, _, outside = dense_motion(m)
    account = m.slope[-13:]
    mass, v = mass_matrix(m), m.room.v
    weight = mass.sum(1)[:, None] * GRAVITY
    drag = m.room.drag
    assert account[1] == pytest.approx((drag * v).sum(), rel=1e-9)
    close(account[7:10], drag.sum(0), np.abs(drag).sum())
    # momentum: hand and holder carry what weight and drag do not
    need = mass @ a - weight - drag
    close(account[4:7] + account[10:13], need.sum(0), np.abs(need).max())
    at_far = outside[m.ready.last :].sum(0) if m.far is not None else np.zeros(3)
    if kind in ("handle", "clamp", "free"):
        close(account[10:13], np.zeros(3), 1.0)
    else:
        # a rigid far end: its holder also carries that link's own share, as the solution has it
        close(account[10:13], at_far, np.abs(need).max())
    stored = (energies(m, 1e-6) - energies(m, -1e-6)) / 2e-6
    work = (need * v).sum() + stored + account[3]
    scale = np.abs(need * v).max() + abs(stored)
    assert account[0] + account[2] == pytest.approx(work, abs=1e-6 * scale)
    assert account[3] > 0.0
    if kind == "free":
        assert account[0] == account[2] == 0.0 and not account[4:7].any()
    if kind in ("handle", "clamp"):
        assert account[2] == 0.0


@every
def test_a_trajectory_is_its_states_read_again(kind):
    m = moving(kind, 5)
    m.state[-13:] = np.arange(13.0)
    got = unfold(m.ready, np.array([WHEN]), m.state[None], (3, 2, 1))
    start = m.near[0] if m.near is not None else m.state[-19:-16]
    x = start + np.vstack([np.zeros(3), np.cumsum(m.length[:, None] * m.room.t, axis=0)])
    np.testing.assert_allclose(got.position[0], x, atol=1e-12)
    np.testing.assert_allclose(got.velocity[0], m.room.v)
    mass, v = mass_matrix(m), m.room.v
    a = got.accounts
    assert a.kinetic[0] == pytest.approx(0.5 * (v * (mass @ v)).sum())
    assert a.bending[0] == pytest.approx(energies(m, 0.0))
    assert a.gravity[0] == pytest.approx(-(mass.sum(1) @ ((x - x[0]) @ GRAVITY)))
    np.testing.assert_allclose(a.momentum[0], (mass @ v).sum(0))
    np.testing.assert_allclose(a.weight, mass.sum() * GRAVITY)
    booked = (a.hand_work[0], a.drag_work[0], a.end_work[0], a.damping_loss[0])
    assert booked == (0.0, 1.0, 2.0, 3.0)
    assert a.hand_impulse[0].tolist() == [4, 5, 6] and a.drag_impulse[0].tolist() == [7, 8, 9]
    assert a.end_impulse[0].tolist() == [10, 11, 12] and got.steps == (3, 2, 1)
    np.testing.assert_allclose(got.hand_force[0], m.slope[-9:-6])
    np.testing.assert_allclose(got.end_force[0], m.slope[-3:])
    assert got.hand_power[0] == pytest.approx(m.slope[-13])
    if kind == "handle":
        assert bending_energy(m.chain, x[None], m.law)[0] == pytest.approx(energies(m, 0.0))


def test_accounts_close_on_a_motion_whose_rest_is_known():
    from lashwave.mechanics.trajectory import Accounts

    rng = np.random.default_rng(0)
    time = np.cumsum(rng.uniform(0.1, 0.2, 4))
    one = {
        n: rng.normal(size=4)
        for n in (
            "kinetic",
            "gravity",
            "bending",
            "hand_work",
            "end_work",
            "drag_work",
            "damping_loss",
        )
    }
    three = {n: rng.normal(size=(4, 3)) for n in
             ("hand_impulse", "end_impulse", "drag_impulse", "momentum")}  # fmt: skip
    weight = rng.normal(size=3)
    a = Accounts(**one, **three, weight=weight, time=time)
    for k in range(4):
        stored = sum(one[n][k] - one[n][0] for n in ("kinetic", "gravity", "bending"))
        given = one["hand_work"][k] + one["end_work"][k] + one["drag_work"][k]
        assert a.energy_rest[k] == pytest.approx(stored - given + one["damping_loss"][k])
        gained = three["momentum"][k] - three["momentum"][0]
        pushed = three["hand_impulse"][k] + three["end_impulse"][k] + three["drag_impulse"][k]
        rest = gained - pushed - weight * (time[k] - time[0])
        np.testing.assert_allclose(a.momentum_rest[k], rest, atol=1e-12)


def test_node_forces_of_the_reference_cancel_inside():
    m = moving("handle", 3)
    inside = node_forces(m) - m.room.drag - mass_matrix(m).sum(1)[:, None] * GRAVITY
    assert np.abs(inside.sum(0)).max() < 1e-12 * np.abs(inside).max()
