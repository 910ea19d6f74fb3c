"""Forces, energies and balances of a given motion, one configuration at a time, batched.

Everything is a pure function of node positions x, velocities v and accelerations a, each
(T, N + 1, 3) in m, m/s, m/s2. Forces that cannot be seen (the hand's, the tension) follow from
the balance of momentum from the free end inward, so they hold for any motion, modelled or
measured. Where the far end is held, what holds it takes a share that no balance can part from the
hand's: these are nan then.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics.air import Medium
from lashwave.mechanics.bending import bend_energy, joint, sharpness
from lashwave.mechanics.chain import Chain
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.drag import body_drag
from lashwave.mechanics.kernels import Body, loads
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import setup
from lashwave.quantities import Array


def directions(x: Array) -> Array:
    """(T, N, 3) unit vectors along the links."""
    along = np.diff(x, axis=-2)
    return np.asarray(along / np.linalg.norm(along, axis=-1, keepdims=True))


def inertia(chain: Chain, a: Array) -> Array:
    """(T, N + 1, 3) mass matrix times a: the force each node needs [N]; momenta with v for a."""
    aa, ab, bb = (chain.link_mass[:, i, None] for i in range(3))
    out = np.zeros_like(a)
    out[..., :-1, :] += aa * a[..., :-1, :] + ab * a[..., 1:, :]
    out[..., 1:, :] += ab * a[..., :-1, :] + bb * a[..., 1:, :]
    return out


def link_kinetic_energy(chain: Chain, v: Array) -> Array:
    """(T, N) [J] of each link, exact for rigid links."""
    m = chain.link_mass
    near, far = v[..., :-1, :], v[..., 1:, :]
    return np.asarray(
        0.5 * m[:, 0] * (near * near).sum(-1)
        + m[:, 1] * (near * far).sum(-1)
        + 0.5 * m[:, 2] * (far * far).sum(-1)
    )


def kinetic_energy(chain: Chain, v: Array) -> Array:
    """Kinetic energy of the line (T,) [J]."""
    return np.asarray(link_kinetic_energy(chain, v).sum(-1))


def gravity_energy(chain: Chain, x: Array, gravity: ArrayLike) -> Array:
    """(T,) [J], zero at the lab's origin."""
    return np.asarray(-(x @ np.asarray(gravity, dtype=float)) @ chain.node_mass)


@compiled()
def _stored(t: Array, clamp: Array, stiffness: Array, out: Array) -> None:
    for i in range(t.shape[0]):
        out[i] = stiffness[0] * bend_energy(sharpness(clamp[i], t[i, 0]))
        for j in range(1, t.shape[1]):
            out[i] += stiffness[j] * bend_energy(sharpness(t[i, j - 1], t[i, j]))


def bending_energy(
    chain: Chain, x: Array, law: Law | None = None, clamp: Array | None = None
) -> Array:
    """(T,) [J]; clamp (T, 3): the grip's direction where a chain without handle is clamped."""
    scale = 1.0 if law is None else law.stiffness_scale
    t = np.ascontiguousarray(directions(x))
    out = np.empty(t.shape[0])
    near = t[:, 0] if clamp is None else clamp
    _stored(t, np.ascontiguousarray(near), scale * chain.bend, out)
    return out


@compiled()
def _bend(
    t: Array, w: Array, stiffness: Array, damping: Array, couple: Array, power: Array
) -> None:
    for i in range(t.shape[0]):
        for j in range(1, t.shape[1]):
            out = joint(stiffness[j], damping[j], t[i, j - 1], t[i, j], w[i, j - 1], w[i, j])
            for k in range(3):
                couple[i, j, k] = out[k]
            power[0, i, j], power[1, i, j] = out[3], out[4]


def bending_forces(chain: Chain, x: Array, v: Array, law: Law) -> tuple[Array, Array, Array]:
    """Forces of bending and its friction on the nodes, and the power of each joint.

    Forces (T, N + 1, 3) [N]; power that each joint stores and loses (T, N) [W]. A clamp without a
    rigid link is left out.
    """
    t = np.ascontiguousarray(directions(x))
    length = chain.length[:, None]
    w = np.diff(v, axis=1) / length
    couple, power = np.zeros_like(t), np.zeros((2, *t.shape[:2]))
    damping = law.damping_time * chain.damping_factor
    _bend(t, w, law.stiffness_scale * chain.bend, damping, couple, power)
    pull = couple.copy()
    pull[:, :-1] -= couple[:, 1:]
    pull -= (pull * t).sum(-1, keepdims=True) * t
    pull /= length
    force = np.zeros_like(x)
    force[:, 1:] += pull
    force[:, :-1] -= pull
    return force, power[0], power[1]


@compiled()
def _drag(body: Body, t: Array, v: Array, out: Array, power: Array) -> None:
    scratch = np.empty((t.shape[1] + 1, 3))
    for i in range(t.shape[0]):
        power[i] = loads(body, t[i], v[i], scratch, out[i])


def drag_forces(
    chain: Chain, x: Array, v: Array, medium: Medium, law: Law | None = None
) -> tuple[Array, Array]:
    """Drag on each node (T, N + 1, 3) [N] and its power (T,) [W], negative."""
    body = setup(chain, None, medium, np.zeros(3), law).body
    t = np.ascontiguousarray(directions(x))
    out, power = np.empty_like(v), np.empty(v.shape[0])
    _drag(body, t, np.ascontiguousarray(v), out, power)
    return out, power


@compiled()
def _body(v: Array, area: float, density: float, out: Array) -> None:
    for i in range(v.shape[0]):
        speed = np.sqrt(v[i, 0] ** 2 + v[i, 1] ** 2 + v[i, 2] ** 2)
        for k in range(3):
            out[i, k] = -body_drag(speed, area, density) * v[i, k]


def tuft_drag(chain: Chain, v: Array, medium: Medium, law: Law | None = None) -> Array:
    """(T, 3) [N] of the tuft alone, at the tip; v (T, N + 1, 3)."""
    scale = 1.0 if law is None else law.drag_tuft
    out = np.empty((v.shape[0], 3))
    _body(np.ascontiguousarray(v[:, -1]), scale * chain.tuft_area, medium.density, out)
    return out


def momentum(chain: Chain, v: Array) -> Array:
    """Momentum of the line (T, 3) [kg m/s]."""
    return np.asarray(np.einsum("n,...nk->...k", chain.node_mass, v))


def node_needs(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> Array:
    """(T, N + 1, 3) [N]: inertia minus weight minus drag, what the line itself must supply."""
    weight = chain.node_mass[:, None] * np.asarray(gravity, dtype=float)
    return inertia(chain, a) - weight - drag_forces(chain, x, v, medium, law)[0]


def outboard_force(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> Array:
    """(T, N + 1, 3) [N]: force that moves everything from each node outward; nan if held there.

    Entry 0 is the hand's force on grip and line.
    """
    if chain.held_links:
        return np.full_like(x, np.nan)
    needs = node_needs(chain, x, v, a, medium, gravity, law)
    return np.asarray(np.cumsum(needs[..., ::-1, :], axis=-2)[..., ::-1, :])


def tension(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> Array:
    """(T, N + 1) [N]: pull along the line at each node, positive when taut.

    Along the mean direction of the two links that meet there; nan on a rigid grip, 0 at the tip;
    nan throughout where the far end is held.
    """
    middle = outboard_force(chain, x, v, a, medium, gravity, law)
    # what the link inboard of a node needs there is not carried by the line outboard of it
    ab, bb = chain.link_mass[:, 1, None], chain.link_mass[:, 2, None]
    weight = (ab + bb) * np.asarray(gravity, dtype=float)
    drag = drag_forces(chain, x, v, medium, law)[0]
    middle[..., 1:, :] -= ab * a[..., :-1, :] + bb * a[..., 1:, :] - weight - 0.5 * drag[..., 1:, :]
    middle[..., -1, :] = 0.0
    t = directions(x)
    mean = np.concatenate([t[..., :1, :], t[..., 1:, :] + t[..., :-1, :], t[..., -1:, :]], axis=-2)
    mean /= np.maximum(np.linalg.norm(mean, axis=-1, keepdims=True), 1e-9)
    pull = -(middle * mean).sum(-1)
    pull[..., : chain.handle_links] = np.nan
    return np.asarray(pull)


def hand_load(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> tuple[Array, Array]:
    """Force (T, 3) [N] and torque about the butt (T, 3) [N m] of the hand on grip and line.

    From the balances of momentum and of angular momentum of the whole: what the line does inside,
    bending and its friction, has no part in them. nan where the far end is held.
    """
    needs = node_needs(chain, x, v, a, medium, gravity, law)
    if chain.held_links:
        needs = np.full_like(needs, np.nan)
    arm = x - x[..., :1, :]
    return needs.sum(-2), np.cross(arm, needs).sum(-2)


def hand_power(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> Array:
    """(T,) [W] of the hand's force and torque on grip and line; nan where the far end is held.

    Force times the butt's velocity plus torque times the grip's angular velocity; a line without a
    grip is free to turn at its butt. A grip that spins about its own axis does no work here.
    """
    force, torque = hand_load(chain, x, v, a, medium, gravity, law)
    power = (force * v[..., 0, :]).sum(-1)
    if chain.handle_links:
        axis = x[..., 1, :] - x[..., 0, :]
        spin = np.cross(axis, v[..., 1, :] - v[..., 0, :]) / (axis * axis).sum(-1, keepdims=True)
        power = power + (torque * spin).sum(-1)
    return np.asarray(power)
