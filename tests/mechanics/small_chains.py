"""Chains of a few links with every kind of end, in motion, and what they do by dense algebra.

The reference knows nothing of recursions: node accelerations and link tensions solve one linear
system, Newton's law with the rigid links' conditions (Lagrange multipliers).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from lashwave.mechanics.air import Medium
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.simulation import setup
from lashwave.quantities.line import Line, Tuft

KINDS = ("handle", "clamp", "free", "held", "pinned")
"""A rigid grip; a clamp without one; nothing; a grip and a rigid far end; clamps at both ends."""
GRAVITY = np.array([0.5, -0.3, -9.8])
WHEN = 0.05


def hand(rng: np.random.Generator, place: np.ndarray) -> Grip:
    """A grip carried and turned along cubics."""
    t = np.linspace(0.0, 0.1, 9)
    power = (t[:, None] / 0.1) ** np.arange(4)
    turn = power @ rng.normal(size=(4, 3)) + np.array([3.0, 0.0, 1.0])
    return Grip(t, place + 0.1 * power @ rng.normal(size=(4, 3)), turn)


def moving(kind: str, seed: int, links: int = 4, steady: bool = True) -> SimpleNamespace:
    """A chain in motion and all that its time derivative left in the room.

    steady : whether a held far end is where, and moves as, its holder says.
    """
    rng = np.random.default_rng(seed)
    handle = 0.15 if kind in ("handle", "held") else 0.0
    s = np.linspace(0.0, 1.0, 4)
    taper = np.exp(-rng.uniform(0.5, 2.0) * s)
    stiff = 3e-3 * taper**2
    line = Line(
        s, 6e-3 * taper, 0.03 * taper, stiff, handle_length=handle,
        ends="held" if kind == "held" else "free", tuft=Tuft(2e-5, 0.0, 3e-5),
    )  # fmt: skip
    inner = np.cumsum(rng.uniform(0.5, 1.5, links))
    station = np.concatenate([[0.0], handle + (1.0 - handle) * inner / inner[-1]])
    if handle:
        station = np.insert(station, 1, handle)
    chain = build(line, station, stiff, np.array([0.4]), np.array([3e-4]), np.array([5e-3]))
    if kind in ("clamp", "pinned"):  # half a link's joint at the clamp
        bend = chain.bend.copy()
        bend[0] = stiff[0] / (0.5 * chain.length[0])
        chain = replace(chain, bend=bend)
    law = Law(*rng.uniform(0.6, 1.6, 4), damping_time=rng.uniform(1e-3, 4e-3))
    m = SimpleNamespace(chain=chain, law=law, kind=kind, length=chain.length)
    m.medium = Medium(1.2, 1.8e-5, 343.0)
    near = None if kind == "free" else hand(rng, np.zeros(3))
    ends_held = kind in ("held", "pinned")
    m.far = hand(rng, np.array([0.6, 0.1, -0.2])) if ends_held else None
    m.ready = setup(chain, near, m.medium, GRAVITY, law, m.far)
    first, last = m.ready.first, m.ready.last
    free = last - first
    t = rng.normal(size=(free, 3)) + np.array([2.0, 0.0, 0.0])
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    w = 20.0 * rng.normal(size=(free, 3))
    w -= (w * t).sum(1, keepdims=True) * t
    base = rng.normal(size=6) if kind == "free" else np.zeros(6)
    m.near = None if near is None else np.array([p[0] for p in near.at(np.array([WHEN]))])
    if ends_held:
        m.pose = np.array([p[0] for p in m.far.at(np.array([WHEN]))])
        gap, drift = _closing(m, t, w)
        if steady:  # move the holder to where the line ends, as it moves
            place = m.far.position + gap + drift * (m.far.time - WHEN)[:, None]
            m.far = Grip(m.far.time, place, m.far.direction)
            m.ready = setup(chain, near, m.medium, GRAVITY, law, m.far)
            m.pose = np.array([p[0] for p in m.far.at(np.array([WHEN]))])
        m.gap, m.drift = _closing(m, t, w)
    m.state = np.concatenate([t.ravel(), w.ravel(), base, np.zeros(13)])
    m.room, m.slope = room(chain.links), np.empty(m.state.size)
    derivative(m.ready, WHEN, m.state, m.slope, m.room)
    return m


def _closing(m: SimpleNamespace, t: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far the line's end lies, and moves, from what its holder asks."""
    first, last = m.ready.first, m.ready.last
    length = m.length
    place, speed = m.near[0].copy(), m.near[1].copy()
    if first:
        place, speed = place + length[0] * m.near[3], speed + length[0] * m.near[4]
    place = place + length[first:last] @ t
    speed = speed + length[first:last] @ w
    for j in range(last, length.size):
        place, speed = place + length[j] * m.pose[3], speed + length[j] * m.pose[4]
    return place - m.pose[0], speed - m.pose[1]


def mass_matrix(m: SimpleNamespace) -> np.ndarray:
    """(N + 1, N + 1), two nodes a link."""
    out = np.zeros((m.length.size + 1,) * 2)
    for j, (aa, ab, bb) in enumerate(m.chain.link_mass):
        out[j, j] += aa
        out[j, j + 1] += ab
        out[j + 1, j] += ab
        out[j + 1, j + 1] += bb
    return out


def node_forces(m: SimpleNamespace) -> np.ndarray:
    """(N + 1, 3): weight, drag and bending; a link's torque as two opposite forces."""
    force = m.room.drag + (mass_matrix(m).sum(1)[:, None] * GRAVITY)
    t, torque = m.room.t, m.room.torque
    pair = (torque - (torque * t).sum(1, keepdims=True) * t) / m.length[:, None]
    force[1:] += pair
    force[:-1] -= pair
    return force


def dense_motion(m: SimpleNamespace) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Accelerations (N + 1, 3), tensions (N,) of the free links, forces (N + 1, 3) from outside."""
    nodes = m.length.size + 1
    first, last = m.ready.first, m.ready.last
    known: dict[int, np.ndarray] = {}
    if m.near is not None:
        known[0] = m.near[2]
        if first:
            known[1] = m.near[2] + m.length[0] * m.near[5]
    if m.far is not None:
        # the holder's acceleration less what brings a drifted end back: 400 / s, twice over
        a = m.pose[2] - 2 * 400.0 * m.drift - 400.0**2 * m.gap
        known[nodes - 1] = a
        if last < nodes - 1:
            known[last] = a - m.length[last] * m.pose[5]
    size, live = 3 * nodes, range(first, last)
    mass = np.kron(mass_matrix(m), np.eye(3))
    rows, right = [], []
    for j in live:
        row = np.zeros(size)
        row[3 * j : 3 * j + 3], row[3 * j + 3 : 3 * j + 6] = -m.room.t[j], m.room.t[j]
        rows.append(row)
        right.append(-m.length[j] * (m.room.w[j] ** 2).sum())
    for node, a in known.items():
        for k in range(3):
            row = np.zeros(size)
            row[3 * node + k] = 1.0
            rows.append(row)
            right.append(a[k])
    jacobian = np.array(rows)
    whole = np.block([[mass, -jacobian.T], [jacobian, np.zeros((len(rows),) * 2)]])
    found = np.linalg.solve(whole, np.concatenate([node_forces(m).ravel(), right]))
    outside = np.zeros((nodes, 3))
    for i, node in enumerate(known):
        outside[node] = found[size + len(live) + 3 * i :][:3]
    return found[:size].reshape(nodes, 3), -found[size : size + len(live)], outside
