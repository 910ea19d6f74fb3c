"""From integrated states to node positions, velocities, tensions and accounts."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.bending import bend_energy, sharpness
from lashwave.mechanics.compiled import compiled
from lashwave.mechanics.rates import Room, Setup, derivative, link_tension, room
from lashwave.mechanics.trajectory import Accounts, Trajectory
from lashwave.quantities import Array


@compiled(error_model="numpy")
def replay(
    setup: Setup,
    times: Array,
    states: Array,
    room: Room,
    position: Array,
    vectors: Array,
    tension: Array,
    push: Array,
    energy: Array,
) -> None:
    """Evaluate every state again; fill positions, (velocity, acceleration), tensions, energies.

    times : (T,) [s]. states : (T, S). position : (T, N + 1, 3) [m]. vectors : (2, T, N + 1, 3).
    tension : (T, N) [N]. push : (T, 3, 3) [N, and W]. energy : (T,) [J].
    """
    body = setup.body
    links = body.length.size
    slope = np.empty(states.shape[1])
    free = setup.last - setup.first
    for i in range(times.size):
        derivative(setup, times[i], states[i], slope, room)
        if setup.free:
            position[i, 0] = states[i, 6 * free : 6 * free + 3]
        else:
            position[i, 0] = room.near[0]
        for j in range(links):
            position[i, j + 1] = position[i, j] + body.length[j] * room.t[j]
        vectors[0, i] = room.v
        vectors[1, i] = room.a
        link_tension(setup, room, tension[i])
        push[i, :2] = room.push[:2]
        push[i, 2, 0] = slope[6 * free + 6]
        bent = 0.0
        for j in range(1, links):
            bent += body.bend[j] * bend_energy(sharpness(room.t[j - 1], room.t[j]))
        if setup.first == 0 and not setup.free:
            bent += body.bend[0] * bend_energy(sharpness(room.near[3], room.t[0]))
        if setup.held and setup.last == links:
            bent += body.bend[links] * bend_energy(sharpness(room.t[links - 1], room.far[3]))
        energy[i] = bent


def unfold(ready: Setup, times: Array, states: Array, steps: tuple[int, int, int]) -> Trajectory:
    """The trajectory of integrated states (T, S) at times (T,) [s]."""
    body = ready.body
    count, nodes = times.size, body.length.size + 1
    position = np.empty((count, nodes, 3))
    vectors = np.empty((2, count, nodes, 3))
    tension = np.full((count, nodes - 1), np.nan)
    push, bent = np.zeros((count, 3, 3)), np.empty(count)
    replay(ready, times, states, room(nodes - 1), position, vectors, tension, push, bent)
    velocity, acceleration = vectors
    mass = body.mass
    v0, v1 = velocity[:, :-1], velocity[:, 1:]
    moving = mass[:, 0] * (v0 * v0).sum(-1) + mass[:, 2] * (v1 * v1).sum(-1)
    moving += 2 * mass[:, 1] * (v0 * v1).sum(-1)
    node = np.zeros(nodes)
    node[:-1] += mass[:, 0] + mass[:, 1]
    node[1:] += mass[:, 1] + mass[:, 2]
    spent = states[:, -13:]
    accounts = Accounts(
        kinetic=0.5 * moving.sum(-1),
        gravity=-((position - position[0, 0]) @ body.gravity) @ node,
        bending=bent,
        hand_work=spent[:, 0],
        end_work=spent[:, 2],
        drag_work=spent[:, 1],
        damping_loss=spent[:, 3],
        hand_impulse=spent[:, 4:7],
        end_impulse=spent[:, 10:13],
        drag_impulse=spent[:, 7:10],
        momentum=np.einsum("n,tnk->tk", node, velocity),
        weight=node.sum() * body.gravity,
        time=times,
    )
    hand = push[:, 0] if not ready.free else np.zeros((count, 3))
    return Trajectory(
        times, position, velocity, acceleration, tension, hand, push[:, 1], push[:, 2, 0],
        accounts, steps,
    )  # fmt: skip
