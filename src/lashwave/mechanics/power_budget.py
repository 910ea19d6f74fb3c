"""Where energy and momentum of a given motion are, and what passes each station.

As in `accounts`, a motion is node positions, velocities and accelerations (T, N + 1, 3). What a
node needs beyond weight, drag and bending is shared out between the links' tensions and a rest:

    M a - weight - drag - bending = tension + rest.

Tensions are those that leave the least rest on the free nodes, each weighed by its mass (Gauss's
principle of least constraint, J. reine angew. Math. 4 (1829) 232). On a motion that obeys the
mechanics the rest is zero there; on an estimated one it is the random force that the model
allows. Fluxes and torque follow from the balance of everything outboard, as the hand's force and
power in `accounts`, so they hold for any motion and count the rest's work as passed on. The mass
of the link inboard of a node is shared by both its nodes, so a flux is that at its node to half a
link. Where the far end is held, its holder's share cannot be told: fluxes and torque are nan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics import accounts
from lashwave.mechanics.air import Medium
from lashwave.mechanics.chain import Chain
from lashwave.mechanics.law import Law
from lashwave.quantities import Array


@dataclass(frozen=True)
class Budget:
    """Energies, momenta, losses and fluxes of one motion at T times; lost power is positive."""

    kinetic: Array
    """(T,) [J]"""
    gravity: Array
    """(T,) [J], zero at the lab's origin."""
    bending: Array
    """(T,) [J]"""
    momentum: Array
    """(T, 3) [N s]"""
    angular: Array
    """(T, 3) [N m s], about the lab's origin."""
    drag: Array
    """(T, N + 1) [W] lost to the air at each node, the tuft apart."""
    tuft: Array
    """(T,) [W] lost to the air by the tuft."""
    damping: Array
    """(T,) [W] lost in the joints."""
    torque: Array
    """(T, 3) [N m] of all that acts on node 0, about node 0: the hand's on a grip's butt."""
    rest_power: Array
    """(T,) [W] of the rest on the free nodes: what no modelled force does."""
    momentum_flux: Array
    """(T, N + 1, 3) [N], force that moves a node and everything outboard; the hand's at node 0."""
    energy_flux: Array
    """(T, N + 1) [W], power that a node and everything outboard take in; the hand's at node 0."""


def budget(
    chain: Chain,
    x: Array,
    v: Array,
    a: Array,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
) -> Budget:
    """The budget of a motion; x, v, a : (T, N + 1, 3) [m], [m/s], [m/s2]."""
    law = law or Law()
    bare = replace(chain, tuft_area=0.0)
    drag, _ = accounts.drag_forces(bare, x, v, medium, law)
    tuft = accounts.tuft_drag(chain, v, medium, law)
    weight = chain.node_mass[:, None] * np.asarray(gravity, dtype=float)
    open_force = accounts.inertia(chain, a) - weight - drag
    open_force[:, -1] -= tuft
    turning, stored, lost = accounts.bending_forces(chain, x, v, law)
    rest = open_force - turning - tension_forces(chain, x, open_force - turning)
    near = chain.handle_links + 1
    free = slice(near, chain.station.size - (chain.held_links + 1 if chain.held_links else 0))
    work = (open_force * v).sum(-1)
    work[:, :-1] += stored + lost
    flux = np.cumsum(open_force[:, ::-1], axis=1)[:, ::-1]
    power = np.cumsum(work[:, ::-1], axis=1)[:, ::-1]
    torque = np.cross(x - x[:, :1], open_force).sum(axis=1)
    if chain.held_links:
        flux[:], power[:], torque[:] = np.nan, np.nan, np.nan
    mv = accounts.inertia(chain, v)
    return Budget(
        kinetic=0.5 * (mv * v).sum((-2, -1)),
        gravity=accounts.gravity_energy(chain, x, gravity),
        bending=accounts.bending_energy(chain, x, law),
        momentum=mv.sum(axis=1),
        angular=np.cross(x, mv).sum(axis=1),
        drag=-(drag * v).sum(-1),
        tuft=0.0 - (tuft * v[:, -1]).sum(-1),  # not -0.0 without a tuft
        damping=lost.sum(-1),
        torque=torque,
        rest_power=(rest * v).sum(-1)[:, free].sum(-1),
        momentum_flux=flux,
        energy_flux=power,
    )


def tension_forces(chain: Chain, x: Array, needed: Array) -> Array:
    """(T, N + 1, 3) [N], forces of the tensions that come nearest to what the free nodes need.

    needed : (T, N + 1, 3) [N]. A rigid end carries none: what acts on it is left to its holder.
    """
    t = accounts.directions(x)
    nodes = chain.station.size
    weight = 1.0 / chain.node_mass
    weight[: chain.handle_links + 1] = 0.0
    last = nodes - 1
    if chain.held_links:
        last -= chain.held_links
        weight[last:] = 0.0
    first = chain.handle_links
    live = slice(first, last)
    main = np.broadcast_to(weight[:-1] + weight[1:], t.shape[:2])[:, live].copy()
    side = -weight[1:-1] * (t[:, :-1] * t[:, 1:]).sum(-1)
    side = side[:, first : last - 1]
    right = weight[:-1] * (needed[:, :-1] * t).sum(-1) - weight[1:] * (needed[:, 1:] * t).sum(-1)
    pull = np.zeros(t.shape[:2])
    pull[:, live] = _tridiagonal(main, side, right[:, live].copy())
    out = np.zeros_like(x)
    out[:, :-1] += pull[..., None] * t
    out[:, 1:] -= pull[..., None] * t
    return out


def _tridiagonal(main: Array, side: Array, right: Array) -> Array:
    """Solutions of symmetric positive tridiagonal systems, one a row; all arguments are used up.

    main, right : (T, n); side : (T, n - 1).
    """
    for j in range(1, main.shape[1]):
        share = side[:, j - 1] / main[:, j - 1]
        main[:, j] -= share * side[:, j - 1]
        right[:, j] -= share * right[:, j - 1]
    right[:, -1] /= main[:, -1]
    for j in range(main.shape[1] - 2, -1, -1):
        right[:, j] = (right[:, j] - side[:, j] * right[:, j + 1]) / main[:, j]
    return right
