"""Every room that computes forces, energies and powers of a motion computes the same ones.

Random chains and states (bends to 1.5 rad, Mach to 3, tapered, markers, a tuft, a driven grip) are
given to the simulator, the accounts, the budget, the estimator's rows and the twin's truth, and to
the plain formulas of `plain_law`, whose numbers are typed there from docs/methods.md. Rounding is
all that may differ: 1e-12 of the largest. Newton's law and the balances of power and momentum are
textbook mechanics. Nothing here needs compilation: NUMBA_DISABLE_JIT=1 takes seconds.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import Phase, given, settings, strategies as st

from lashwave.estimate.air_forces import air_forces
from lashwave.estimate.bend_rows import bend_forces
from lashwave.estimate.local_rows import WIDE
from lashwave.estimate.momentum_rows import (
    dynamics_rows,
    impulse_residual,
    project_out_tensions,
)
from lashwave.mechanics import accounts
from lashwave.mechanics.air import Medium
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.implicit import plan, prepare
from lashwave.mechanics.kernels import bending
from lashwave.mechanics.law import Law
from lashwave.mechanics.power_budget import budget
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.rest import _energy, _frames, _system
from lashwave.mechanics.simulation import setup, unfold
from lashwave.mechanics.stiff import restore
from lashwave.quantities.arrays import Array
from lashwave.quantities.line import Line, Tuft
from tests.estimate.long_rows import blank, windows_of
from tests.mechanics import plain_law

GRAVITY = np.array([0.5, -0.3, -9.8])
WHEN = 0.05


def close(got: Array | float, expected: Array | float, scale: float = 0.0) -> None:
    """Equal to 1e-12 of the largest value, or of a scale that is larger."""
    scale = max(scale, float(np.max(np.abs(expected))))
    assert scale > 0.0
    np.testing.assert_allclose(got, expected, rtol=0.0, atol=1e-12 * scale)


def across(rng: np.random.Generator, t: Array) -> Array:
    """A random unit vector across t (3,)."""
    e = np.cross(t, rng.normal(size=3))
    return np.asarray(e / np.linalg.norm(e))


def invented(rng: np.random.Generator, links: int) -> SimpleNamespace:
    """A tapered line on a grip with three markers and a tuft, air and law, all at random."""
    s = np.linspace(0.0, 1.2, 5)
    taper = rng.uniform(0.3, 1.0) * np.exp(-2.5 * s)
    stiffness = 2e-3 * taper**3
    tuft = Tuft(area=rng.uniform(1e-5, 1e-4), area_sd=0.0, mass=3e-5)
    line = Line(s, 6e-3 * taper, 0.03 * taper**2, stiffness, handle_length=0.15, tuft=tuft)
    inner = np.cumsum(rng.uniform(0.5, 1.5, links))
    station = np.concatenate([[0.0, 0.15], 0.15 + 1.05 * inner / inner[-1]])
    at, size = np.sort(rng.uniform(0.2, 1.15, 3)), rng.uniform(4e-3, 9e-3, 3)
    chain = build(line, station, stiffness, at, np.full(3, 2e-4), size)
    area = np.zeros(station.size)
    for place, d in zip(at, size, strict=True):
        hat = np.interp(station, [place], [1.0], left=0.0, right=0.0)
        j = int(np.searchsorted(station, place)) - 1
        share = (place - station[j]) / (station[j + 1] - station[j])
        hat[j], hat[j + 1] = 1.0 - share, share
        area += 0.47 * np.pi * d**2 / 4 * hat
    span = np.concatenate([[np.inf], 0.5 * (chain.length[1:] + chain.length[:-1])])
    span[1] = 0.5 * chain.length[1]  # the joint at a rigid end has half a link
    scales = rng.uniform(0.5, 2.0, 4)
    chain = replace(chain, drag_factor=rng.uniform(0.5, 2.0, chain.links))
    return SimpleNamespace(
        chain=chain,
        law=Law(*scales, damping_time=rng.uniform(1e-3, 5e-3)),
        medium=Medium(rng.uniform(1.0, 1.3), 1.8e-5, rng.uniform(330.0, 350.0)),
        marker_area=area,
        tuft_area=tuft.area,
        bend=np.interp(station[:-1], s, stiffness) / span,
        diameter=np.interp(0.5 * (station[1:] + station[:-1]), s, line.diameter),
    )


def hand(rng: np.random.Generator) -> Grip:
    """A grip that is carried and turned along a smooth path."""
    t = np.linspace(0.0, 0.1, 9)
    place = np.stack([rng.normal(size=4) @ (t / 0.1) ** np.arange(4)[:, None] for _ in range(3)])
    turn = np.stack([rng.normal(size=4) @ (t / 0.1) ** np.arange(4)[:, None] for _ in range(3)])
    return Grip(t, place.T, turn.T + np.array([4.0, 0.0, 0.0]))


def moving(seed: int, links: int, mach: float, bend: float) -> SimpleNamespace:
    """A state, and everything that the simulator and the plain formulas say of it."""
    rng = np.random.default_rng(seed)
    m = invented(rng, links)
    grip = hand(rng)
    pose = [part[0] for part in grip.at(np.array([WHEN]))]
    length = m.chain.length
    t, w = [pose[3]], [pose[4]]
    for j in range(links):
        angle = bend if j == links // 2 else rng.uniform(0.0, bend)
        t.append(np.cos(angle) * t[-1] + np.sin(angle) * across(rng, t[-1]))
        w.append(rng.normal() * across(rng, t[-1]))
    m.t = np.array(t)
    fling = np.cumsum(length[1:, None] * w[1:], axis=0)
    fling *= mach * m.medium.sound_speed / np.linalg.norm(fling, axis=1).max()
    m.w = np.array([w[0], *np.diff(np.vstack([np.zeros(3), fling]), axis=0) / length[1:, None]])
    m.ready = setup(m.chain, grip, m.medium, GRAVITY, m.law)
    m.state = np.concatenate([m.t[1:].ravel(), m.w[1:].ravel(), np.zeros(19)])
    m.space, m.slope = room(m.chain.links), np.empty(m.state.size)
    derivative(m.ready, WHEN, m.state, m.slope, m.space)
    m.x = pose[0] + np.vstack([np.zeros(3), np.cumsum(length[:, None] * m.t, axis=0)])
    m.v = pose[1] + np.vstack([np.zeros(3), np.cumsum(length[:, None] * m.w, axis=0)])
    m.a = m.space.a.copy()
    m.pose = pose
    m.scales = np.array([*(getattr(m.law, name) for name in NAMES)])
    m.air = np.array([m.medium.density, m.medium.viscosity, m.medium.sound_speed])
    m.plain = plain_law.forces(
        m.x, m.v, length, m.bend, m.diameter, m.marker_area, m.tuft_area, m.chain.node_mass,
        GRAVITY, tuple(m.air), m.scales, m.chain.drag_factor,
    )  # fmt: skip
    return m


NAMES = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")
states = given(
    seed=st.integers(0, 2**31),
    links=st.integers(3, 7),
    mach=st.floats(0.003, 3.0),
    bend=st.floats(0.02, 1.5),
)
# no shrinking: a planted error must be told in seconds, and any failing state tells it
ONCE = (Phase.explicit, Phase.generate)
enough = settings(max_examples=25, deadline=None, derandomize=True, phases=ONCE)
few = settings(max_examples=6, deadline=None, derandomize=True, phases=ONCE)


def across_links(force: Array, t: Array, length: Array) -> Array:
    """(N, 3): what node forces do on the directions of rigid links, beyond each link's near end."""
    outboard = np.cumsum(force[::-1], axis=0)[::-1][1:] * length[:, None]
    return np.asarray(outboard - (outboard * t).sum(1, keepdims=True) * t)


def inertia(mass: Array, a: Array) -> Array:
    """(N + 1, 3): the two-node mass of each link times accelerations."""
    out = np.zeros_like(a)
    for j, (aa, ab, bb) in enumerate(mass):
        out[j] += aa * a[j] + ab * a[j + 1]
        out[j + 1] += ab * a[j] + bb * a[j + 1]
    return out


def untensioned(need: Array, t: Array, first: int) -> tuple[Array, Array]:
    """Rest (F, 3) of the free nodes' needs after their best tensions, by LAPACK; and these (F,)."""
    nodes, links = need.shape[0] - first - 1, t.shape[0] - first
    columns = np.zeros((3 * nodes, links))
    for a, j in enumerate(range(first, t.shape[0])):
        if j > first:
            columns[3 * (j - first - 1) : 3 * (j - first), a] = t[j]
        columns[3 * (j - first) : 3 * (j - first) + 3, a] = -t[j]
    right = need[first + 1 :].ravel()
    pull = np.linalg.lstsq(columns, right, rcond=None)[0]
    return (right - columns @ pull).reshape(nodes, 3), pull


@enough
@states
def test_drag_is_one(seed: int, links: int, mach: float, bend: float) -> None:
    m = moving(seed, links, mach, bend)
    p, batch = m.plain, m.v[None]
    close(m.space.drag, p.drag)
    close(m.space.force, p.drag + p.weight)
    close(m.slope[-12], float((p.drag * m.v).sum()))  # drag's power in the simulator's account
    force, power = accounts.drag_forces(m.chain, m.x[None], batch, m.medium, m.law)
    close(force[0], p.drag)
    close(power[0], float((p.drag * m.v).sum()))
    close(accounts.tuft_drag(m.chain, batch, m.medium, m.law)[0], p.tuft[-1])
    c = m.chain
    by_cause, *_ = air_forces(
        m.v, m.t, c.length, c.diameter, c.drag_factor, c.bluff_area, c.tuft_area, m.air, m.scales
    )
    for got, expected in zip(by_cause, (p.across, p.along, p.tuft, p.markers), strict=True):
        close(got, expected)


@enough
@states
def test_bending_is_one(seed: int, links: int, mach: float, bend: float) -> None:
    m = moving(seed, links, mach, bend)
    p, c, one = m.plain, m.chain, m.x[None]
    both = p.elastic + p.friction
    force, stored, lost = accounts.bending_forces(c, one, m.v[None], m.law)
    close(force[0], both)
    close(stored.sum(), p.stored, float(np.abs(stored).max()))
    close(lost.sum(), p.lost)
    close(accounts.bending_energy(c, one, m.law)[0], p.energy)
    # the simulator's torques are forces at unit distance, on each link
    torque = m.space.torque - (m.space.torque * m.t).sum(1, keepdims=True) * m.t
    close(torque, across_links(both, m.t, c.length))
    close(m.slope[-10], p.lost)
    # the estimator's have a part along the links, which is tension's
    found = bend_forces(m.t, m.t, m.w, c.length, c.bend, m.scales[3], m.scales[4])
    for got, expected in zip(found, (p.elastic, p.friction), strict=True):
        close(across_links(got, m.t, c.length), across_links(expected, m.t, c.length))
        close(got.sum(0), np.zeros(3), float(np.abs(got).max()))


@enough
@states
def test_motion_obeys_the_plain_forces(seed: int, links: int, mach: float, bend: float) -> None:
    """Newton's law by the plain forces: simulator, twin's truth, estimator's rows, budget."""
    m = moving(seed, links, mach, bend)
    p, c = m.plain, m.chain
    heavy = inertia(c.link_mass, m.a)
    need = heavy - p.drag - p.weight - p.elastic - p.friction
    size = float(np.abs(heavy).max())
    rest, pull = untensioned(need, m.t, 1)
    close(rest, np.zeros_like(rest), size)
    truth = unfold(m.ready, np.array([WHEN]), m.state[None], (0, 0, 0))
    close(truth.position[0], m.x)
    close(truth.velocity[0], m.v)
    close(truth.tension[0, 1:], pull, size)
    close(m.a[0], m.pose[2])
    close(m.a[1], m.pose[2] + c.length[0] * m.pose[5])
    # the estimator's residual of a motion with that velocity and acceleration
    h = 1e-3
    steps = np.array([-h, 0.0, h])[:, None, None]
    spin = np.diff(m.a, axis=0) / c.length[:, None]
    x = m.x + steps * m.v + 0.5 * steps**2 * m.a
    t = m.t + steps * m.w + 0.5 * steps**2 * spin
    chords, weight = np.tile(c.length, (3, 1)), np.concatenate([np.zeros(2), np.ones(links)])
    line = (c.link_mass, c.bend, c.diameter, c.bluff_area, float(c.tuft_area))
    none = np.zeros((0, c.links))
    line = (*line, none, c.drag_factor, none)
    r = impulse_residual(x, t, m.t, chords, h, h, line, m.air, m.scales, GRAVITY)[0]
    rows = (weight[:, None] * r).ravel()
    project_out_tensions(rows, m.t, weight, 1, c.links)
    # differences of places of order 1 m over h
    rounding = float(np.abs(m.x).max() / h * c.node_mass.max())
    close(rows, np.zeros_like(rows), max(h * size, 10 * rounding))


@enough
@states
def test_accounts_are_one(seed: int, links: int, mach: float, bend: float) -> None:
    """Energies, powers, forces and torques of the hand and past each node, by every caller."""
    m = moving(seed, links, mach, bend)
    p, c = m.plain, m.chain
    truth = unfold(m.ready, np.array([WHEN]), m.state[None], (0, 0, 0))
    one = (m.x[None], m.v[None], m.a[None])
    b = budget(c, *one, m.medium, GRAVITY, m.law)
    speed = 0.5 * float((inertia(c.link_mass, m.v) * m.v).sum())
    for got in (truth.accounts.kinetic, b.kinetic, accounts.kinetic_energy(c, one[1])):
        close(got[0], speed)
    for got in (truth.accounts.bending, b.bending, accounts.bending_energy(c, one[0], m.law)):
        close(got[0], p.energy)
    high = -float((p.weight * m.x).sum())
    start = -float((p.weight * (m.x - m.x[0])).sum())
    close(b.gravity[0], high)
    close(truth.accounts.gravity[0], start, abs(high))
    close(truth.accounts.momentum[0], b.momentum[0])
    close(b.momentum[0], inertia(c.link_mass, m.v).sum(0))
    close(b.angular[0], np.cross(m.x, inertia(c.link_mass, m.v)).sum(0))
    close(b.drag[0], -((p.drag - p.tuft) * m.v).sum(1))
    close(b.tuft[0], -float(p.tuft[-1] @ m.v[-1]))
    close(b.damping[0], p.lost)

    need = inertia(c.link_mass, m.a) - p.weight - p.drag
    size = float(np.abs(need).max())
    state = (c, *one, m.medium, GRAVITY, m.law)
    close(accounts.node_needs(*state)[0], need)
    force, torque = accounts.hand_load(*state)
    for got in (truth.hand_force[0], force[0], b.momentum_flux[0, 0]):
        close(got, need.sum(0), size)
    for got in (torque[0], b.torque[0]):
        close(got, np.cross(m.x - m.x[0], need).sum(0), size)
    onward = np.cumsum(need[::-1], axis=0)[::-1]
    close(accounts.outboard_force(*state)[0], onward, size)
    close(b.momentum_flux[0], onward, size)
    # all that moves, is stored or lost is the hand's power, or what drag and weight give
    work = float((need * m.v).sum()) + p.stored + p.lost
    scale = float(np.abs(need * m.v).max())
    close(truth.hand_power[0], work, scale)
    close(b.energy_flux[0, 0], work, scale)
    # by the balance of angular momentum the hand takes what twist brings in, too
    spin = np.cross(m.pose[3], m.pose[4])
    close(accounts.hand_power(*state)[0], work + float(p.twist @ spin), scale)
    close(b.rest_power[0], 0.0, scale)
    _pull_is_one(m, need, size)


def _pull_is_one(m: SimpleNamespace, need: Array, size: float) -> None:
    """`accounts.tension`: what all beyond a node needs and the outboard half of the node's own,
    along the mean of the two directions that meet there."""
    c = m.chain
    found = accounts.tension(c, m.x[None], m.v[None], m.a[None], m.medium, GRAVITY, m.law)[0]
    assert np.isnan(found[0]) and found[-1] == pytest.approx(0.0, abs=1e-12 * size)
    for i in range(1, c.links):
        aa, ab, _ = c.link_mass[i]
        own = aa * m.a[i] + ab * m.a[i + 1] - (aa + ab) * GRAVITY - 0.5 * m.plain.drag[i]
        mean = (m.t[i - 1] + m.t[i]) / np.linalg.norm(m.t[i - 1] + m.t[i])
        close(found[i], -float((need[i + 1 :].sum(0) + own) @ mean), size)


@enough
@states
def test_scales_are_one(seed: int, links: int, mach: float, bend: float) -> None:
    """The rows' columns of the logarithms of the five scales: minus h times the forces scaled."""
    m = moving(seed, links, mach, bend)
    p, c, h = m.plain, m.chain, 1e-4
    steps = np.array([-h, 0.0, h])[:, None, None]
    x, t = m.x + steps * m.v, m.t + steps * m.w
    frame = np.zeros((3, c.links, 3, 2))
    reach = np.zeros((3, c.links, 4, 3, 2))
    chords, weight = np.tile(c.length, (3, 1)), np.concatenate([np.zeros(2), np.ones(links)])
    limp, shapes = np.zeros(c.links), np.zeros((0, c.links))
    line = (c.link_mass, limp, c.diameter, c.bluff_area, float(c.tuft_area), shapes)
    line = (*line, c.drag_factor, shapes)
    row = blank(c.links, 5)
    dynamics_rows(
        row, x, t, frame, windows_of(reach), chords, h, h, line, m.air, m.scales, GRAVITY, weight,
        limp, np.zeros((3, 0, 3)), 1, c.links,
    )  # fmt: skip
    for k, force in enumerate((p.across, p.along, p.tuft)):
        close(row[..., 3 * WIDE + k], -h * weight[:, None] * force)


def generalised(m: SimpleNamespace, t: Array, w: Array, frame: Array) -> Array:
    """Bending's torques on the free links along two fixed axes each (M, 2)."""
    torque = np.zeros((m.chain.links, 3))
    bending(m.ready.body, t, w, torque)
    torque -= (torque * t).sum(1, keepdims=True) * t
    return np.asarray(np.einsum("mak,mk->ma", frame, torque[1:]))


@few
@states
def test_the_implicit_matrices_are_the_derivatives(
    seed: int, links: int, mach: float, bend: float
) -> None:
    """Stiffness and damping of the implicit stepping against central differences of the torques;
    rounding over a step of 1e-6 leaves 1e-9."""
    m = moving(seed, links, mach, bend)
    made = plan(links)
    prepare(m.ready, m.space, np.zeros(m.chain.links), made)
    rest = np.zeros_like(m.w)
    stiff = np.zeros((2 * links, 2 * links))
    for column in range(2 * links):
        unit = np.zeros((links, 2))
        unit.flat[column] = 1.0
        out = np.zeros((links, 2))
        restore(made, unit, 1.0, out)
        move = np.vstack([np.zeros(3), np.einsum("mak,ma->mk", made.frame, unit)])
        sides = []
        for sign in (1e-6, -1e-6):
            t = m.t + sign * move
            t /= np.linalg.norm(t, axis=1, keepdims=True)
            sides.append(generalised(m, t, rest, made.frame))
        stiff[:, column] = (sides[0] - sides[1]).ravel() / 2e-6 - out.ravel()
        scale = float(np.abs(out).max())
        assert np.abs(stiff[:, column]).max() < 2e-8 * scale
        opening = np.diff(move, axis=0)
        lose = np.einsum("jkl,jl->jk", made.lose[:links], opening)
        pull = np.vstack([lose, np.zeros(3)])
        expected = -np.einsum("mak,mk->ma", made.frame, pull[:-1] - pull[1:])
        still = generalised(m, m.t, rest, made.frame)
        rub = generalised(m, m.t, move, made.frame) - still
        close(rub, expected, float(np.abs(still).max()))


@few
@states
def test_shapes_at_rest_have_the_same_couple(
    seed: int, links: int, mach: float, bend: float
) -> None:
    """The rest shape's slope and Hessian against its energy's differences and the torques."""
    m = moving(seed, links, mach, bend)
    t, before, none = m.t[1:], m.t[0], np.zeros((links, 3))
    stiffness = m.law.stiffness_scale * m.chain.bend[1:]
    _, slope, band, _ = _system(t, stiffness, before, none, None)
    frame = _frames(t).transpose(0, 2, 1)
    still = generalised(m, m.t, np.zeros_like(m.w), frame)
    close(slope, -still.ravel())
    assert _energy(t, stiffness, before, none, None) == pytest.approx(m.plain.energy, rel=1e-12)
    whole = np.zeros((2 * links, 2 * links))
    for d in range(4):
        for j in range(2 * links - d):
            whole[j + d, j] = whole[j, j + d] = band[d, j]
    for column in range(2 * links):
        move = np.zeros((links, 2))
        move.flat[column] = 1e-6
        sides = []
        for sign in (1.0, -1.0):
            turned = t + sign * np.einsum("mak,ma->mk", frame, move)
            turned /= np.linalg.norm(turned, axis=1, keepdims=True)
            together = np.vstack([before, turned])
            sides.append(generalised(m, together, np.zeros_like(m.w), frame).ravel())
        found = -(sides[0] - sides[1]) / 2e-6
        assert np.abs(found - whole[:, column]).max() < 2e-8 * np.abs(whole).max()
