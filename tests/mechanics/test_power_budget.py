"""The budget of a given motion against the simulator's own account, and against a textbook."""

from functools import cache

import numpy as np
import pytest

from lashwave.mechanics.accounts import drag_forces
from lashwave.mechanics.air import Medium
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.power_budget import budget, tension_forces
from lashwave.mechanics.simulation import simulate
from lashwave.quantities.line import Line, Tuft
from tests.mechanics.vacuum import VACUUM

AIR, GRAVITY = Medium(1.2, 1.8e-5, 343.0), np.array([0.0, 0.0, -9.81])
LAW = Law(1.1, 0.8, 1.3, 1.2, 3e-3)
# friction peaks within a millisecond where a joint snaps: 0.2 ms would miss 0.5 % of its work
TIME = np.linspace(0.0, 0.6, 12001)


@cache
def swung():  # type: ignore[no-untyped-def]
    s = np.linspace(0, 1, 51)
    tuft = Tuft(area=2e-5, area_sd=0.0, mass=2e-5)
    table = 4e-3 - 2e-3 * s, 0.02 - 0.01 * s, 1e-4 - 5e-5 * s
    line = Line(s, *table, handle_length=0.1, tuft=tuft)
    chain = build(line, np.concatenate([[0], np.linspace(0.1, 1, 24)]), line.bending_stiffness)
    t = np.linspace(-0.1, 0.8, 181)
    place = np.stack([0.3 * np.sin(9 * t), 0.1 * np.sin(5 * t), 1 + 0 * t], axis=1)
    angle = 1.5 * np.sin(9 * t)
    grip = Grip(t, place, np.stack([np.sin(angle), 0.2 * t, -np.cos(angle)], axis=1))
    run = simulate(chain, grip, AIR, GRAVITY, LAW, TIME)
    found = budget(chain, run.position, run.velocity, run.acceleration, AIR, GRAVITY, LAW)
    return chain, run, found


def test_the_budget_is_the_simulators_account() -> None:
    _, run, b = swung()
    books = run.accounts
    work = books.hand_work[-1]
    assert b.kinetic == pytest.approx(books.kinetic, abs=1e-9 * work)
    assert np.diff(b.gravity) == pytest.approx(np.diff(books.gravity), abs=1e-9 * work)
    assert b.bending == pytest.approx(books.bending, abs=1e-6 * work)
    lost = np.trapezoid(b.drag.sum(axis=1) + b.tuft, TIME)
    assert lost == pytest.approx(-books.drag_work[-1], rel=1e-4)
    assert np.trapezoid(b.damping, TIME) == pytest.approx(books.damping_loss[-1], rel=1e-3)
    assert b.tuft.max() > 0.0
    # power at the butt is the hand's, to the power that its own account has at the time
    assert b.energy_flux[:, 0] == pytest.approx(run.hand_power, abs=1e-3 * np.ptp(run.hand_power))
    assert np.trapezoid(b.energy_flux[:, 0], TIME) == pytest.approx(work, rel=1e-3)
    assert b.momentum_flux[:, 0] == pytest.approx(run.hand_force, abs=1e-6 * 10)


def test_nothing_but_the_model_works_on_a_simulated_line() -> None:
    _, run, b = swung()
    assert np.trapezoid(np.abs(b.rest_power), TIME) < 1e-3 * run.accounts.hand_work[-1]


def test_the_torque_closes_the_balance_of_angular_momentum() -> None:
    chain, run, b = swung()
    x = run.position
    weight = chain.node_mass[:, None] * GRAVITY
    # Newton: change of L about the lab's origin = torques of hand, weight and air about it
    drag, _ = drag_forces(chain, x, run.velocity, AIR, LAW)
    hand = b.torque + np.cross(x[:, 0], b.momentum_flux[:, 0])
    rest = np.cross(x, weight + drag).sum(axis=1)
    turned = np.trapezoid(hand + rest, TIME, axis=0)
    size = np.abs(b.angular).max()
    assert b.angular[-1] - b.angular[0] == pytest.approx(turned, abs=2e-4 * size)


def test_a_stick_held_level_asks_for_half_its_weight_times_its_length() -> None:
    # Textbook statics: torque m g L / 2 about the end, force m g, and no power. 30 g, 0.8 m.
    s = np.array([0.0, 0.8])
    line = Line(s, np.full(2, 4e-3), np.full(2, 0.03 / 0.8), np.full(2, 1e-3), handle_length=0.3)
    chain = build(line, np.linspace(0, 0.8, 9), line.bending_stiffness)
    x = np.zeros((2, 9, 3))
    x[:, :, 0] = chain.station
    still = np.zeros_like(x)
    b = budget(chain, x, still, still, VACUUM, GRAVITY)
    assert b.torque[0] == pytest.approx([0.0, -0.03 * 9.81 * 0.4, 0.0], rel=1e-12)
    assert b.momentum_flux[0, 0] == pytest.approx([0.0, 0.0, 0.03 * 9.81], rel=1e-12)
    assert b.energy_flux[0] == pytest.approx(0.0)
    # a line has no pull sideways: all of the weight beyond the grip is left unexplained
    assert tension_forces(chain, x, still) == pytest.approx(0.0)


def test_a_hanging_line_is_explained_by_its_tension() -> None:
    s = np.array([0.0, 0.8])
    line = Line(s, np.full(2, 4e-3), np.full(2, 0.03 / 0.8), np.full(2, 1e-3))
    chain = build(line, np.linspace(0, 0.8, 9), line.bending_stiffness)
    x = np.zeros((1, 9, 3))
    x[:, :, 2] = -chain.station
    need = np.broadcast_to(-chain.node_mass[:, None] * GRAVITY, x.shape)
    pull = tension_forces(chain, x, need)
    assert pull[0, 1:] == pytest.approx(need[0, 1:], rel=1e-12)
