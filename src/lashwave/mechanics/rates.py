"""Compiled time derivative of a chain's state: directions, rates, a free base, the accounts.

The state is flat: t of the M free links (3 M), w (3 M), place and velocity of a base that nothing
holds (6, unused otherwise), then the accounts of `ACCOUNTS` (13).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.mechanics.bending import joint
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.kernels import Body, Drive, bending, inward, loads, outward, pose
from lashwave.quantities import Array

ACCOUNTS = 13
"""Work of the hand, of the drag, of a held far end [J], damping loss [J], then impulse of the
hand (3), of the drag (3), of a held far end (3) [N s]."""

HOLD = 400.0
"""[1/s], rate at which a held far end's drift off its place dies away."""


class Room(NamedTuple):
    """Work space of one evaluation, so that stepping allocates nothing."""

    t: Array  # (N, 3)
    w: Array  # (N, 3)
    v: Array  # (N + 1, 3)
    a: Array  # (N + 1, 3)
    force: Array  # (N + 1, 3)
    drag: Array  # (N + 1, 3)
    torque: Array  # (N, 3)
    store: Array  # (N, 12)
    base: Array  # (9,)
    near: Array  # (6, 3) pose of the grip
    far: Array  # (6, 3) pose of the held far end
    push: Array  # (3, 3) force of the hand, of the held end, torque-like force on the grip
    joint: Array  # (2, 3)


def room(links: int) -> Room:
    """Work space for a chain of so many links."""
    n, z = links, np.zeros
    return Room(
        z((n, 3)), z((n, 3)), z((n + 1, 3)), z((n + 1, 3)), z((n + 1, 3)), z((n + 1, 3)),
        z((n, 3)), z((n, 12)), z(9), z((6, 3)), z((6, 3)), z((3, 3)), z((2, 3)),
    )  # fmt: skip


class Setup(NamedTuple):
    """Everything that stays the same while time goes on."""

    body: Body
    near: Drive
    far: Drive
    free: bool  # nothing holds the near end
    held: bool  # the far end is driven
    first: int
    last: int


@compiled(error_model="numpy")
def spread(setup: Setup, time: float, state: Array, room: Room) -> None:
    """Fill the room's poses, directions, rates and node velocities from a state.

    state : (S,), laid out as the module says; [m], [m/s], [1/s].
    """
    body, first, last = setup.body, setup.first, setup.last
    links = body.length.size
    t, w, v = room.t, room.w, room.v
    free = last - first
    for j in range(free):
        for k in range(3):
            t[first + j, k] = state[3 * j + k]
            w[first + j, k] = state[3 * (free + j) + k]
    if setup.free:
        for k in range(3):
            v[0, k] = state[6 * free + 3 + k]
    else:
        pose(setup.near, time, room.near)
        v[0] = room.near[1]
        if first == 1:
            t[0] = room.near[3]
            w[0] = room.near[4]
    if setup.held:
        pose(setup.far, time, room.far)
        if last < links:
            t[last] = room.far[3]
            w[last] = room.far[4]
    for j in range(links):
        for k in range(3):
            v[j + 1, k] = v[j, k] + body.length[j] * w[j, k]


@compiled(error_model="numpy")
def joints(setup: Setup, room: Room) -> float:
    """Fill the room's torques; clamps at ends without a rigid link too. Returns the loss [W]."""
    body = setup.body
    lost = bending(body, room.t, room.w, room.torque)
    room.joint[:] = 0.0
    if setup.first == 0 and not setup.free and body.bend[0] > 0.0:
        out = joint(body.bend[0], body.damping[0], room.near[3], room.t[0], room.near[4], room.w[0])
        for k in range(3):
            room.joint[0, k] = out[k]
        lost += out[4]
        room.torque[0] += room.joint[0]
    end = body.length.size
    if setup.held and setup.last == end and body.bend[end] > 0.0:
        out = joint(
            body.bend[end], body.damping[end], room.t[end - 1], room.far[3], room.w[end - 1],
            room.far[4],
        )  # fmt: skip
        for k in range(3):
            room.joint[1, k] = out[k]
        lost += out[4]
        room.torque[end - 1] -= room.joint[1]
    return lost


@compiled(error_model="numpy")
def hold(setup: Setup, room: Room, place: Array) -> None:
    """Force [N] of the held far end on node `last`, added to the loads; place (3,) [m]: its own."""
    body, first, last = setup.body, setup.first, setup.last
    want = room.far[2].copy()
    miss = place - room.far[0]
    drift = room.v[last] - room.far[1]
    if last < body.length.size:
        rigid = body.length[last]
        want -= rigid * room.far[5]
        miss += rigid * room.far[3]
        drift += rigid * room.far[4]
    want -= 2 * HOLD * drift + HOLD * HOLD * miss
    outward(body, room.t, room.store, (first, last), room.a)
    reply = end_reply(setup, room)
    pull = np.linalg.solve(reply, want - room.a[last])
    room.push[1] = pull
    for k in range(3):
        room.force[last, k] += pull[k]


@compiled(error_model="numpy")
def end_reply(setup: Setup, room: Room) -> Array:
    """(3, 3) acceleration [1/kg] of node `last` under unit forces on it, the base at rest."""
    body, first, last = setup.body, setup.first, setup.last
    kick = np.empty((last - first, 3, 3))
    bias, reply, old = -np.eye(3), np.zeros((3, 3)), np.empty((3, 3))
    moved = np.empty(3)
    for j in range(last - 1, first - 1, -1):
        s, ab = room.store[j], body.mass[j, 1]
        for c in range(3):
            x, y, z = bias[0, c], bias[1, c], bias[2, c]
            moved[0] = s[3] * x + s[4] * y + s[5] * z
            moved[1] = s[4] * x + s[6] * y + s[7] * z
            moved[2] = s[5] * x + s[7] * y + s[8] * z
            share = s[0] * x + s[1] * y + s[2] * z
            for k in range(3):
                kick[j - first, k, c] = -moved[k]
                bias[k, c] = room.t[j, k] * share - ab * moved[k]
    for j in range(first, last):
        s, ab = room.store[j], body.mass[j, 1]
        old[:] = reply
        for c in range(3):
            x, y, z = old[0, c], old[1, c], old[2, c]
            along = room.t[j, 0] * x + room.t[j, 1] * y + room.t[j, 2] * z
            moved[0] = s[3] * x + s[4] * y + s[5] * z
            moved[1] = s[4] * x + s[6] * y + s[7] * z
            moved[2] = s[5] * x + s[7] * y + s[8] * z
            for k in range(3):
                reply[k, c] = kick[j - first, k, c] + s[k] * along - ab * moved[k]
    return reply


@compiled(error_model="numpy")
def derivative(setup: Setup, time: float, state: Array, out: Array, room: Room) -> None:
    """Fill out, the time derivative of the state; leaves accelerations and forces in the room.

    state, out : (S,), laid out as the module says; [m], [m/s], [1/s].
    """
    body, first, last = setup.body, setup.first, setup.last
    links, free = body.length.size, last - first
    spread(setup, time, state, room)
    drag_power = loads(body, room.t, room.v, room.force, room.drag)
    lost = joints(setup, room)
    a, base = room.a, room.base
    inward(body, room.t, room.w, room.force, room.torque, (first, last), base, room.store)
    _start(setup, room)
    room.push[1] = 0.0
    if setup.held:
        place = room.near[0].copy()
        if setup.free:
            for k in range(3):
                place[k] = state[6 * free + k]
        for j in range(last):
            for k in range(3):
                place[k] += body.length[j] * room.t[j, k]
        hold(setup, room, place)
        inward(body, room.t, room.w, room.force, room.torque, (first, last), base, room.store)
        _start(setup, room)
    outward(body, room.t, room.store, (first, last), a)
    if last < links:
        for k in range(3):
            a[links, k] = a[last, k] + body.length[last] * room.far[5, k]
    for j in range(free):
        i = first + j
        turn, spin = 0.0, 0.0
        for k in range(3):
            turn += (a[i + 1, k] - a[i, k]) * room.t[i, k]
            spin += room.w[i, k] * room.w[i, k]
        for k in range(3):
            out[3 * j + k] = room.w[i, k]
            out[3 * (free + j) + k] = (a[i + 1, k] - a[i, k] - turn * room.t[i, k]) / body.length[
                i
            ] - spin * room.t[i, k]
    for k in range(3):
        out[6 * free + k] = room.v[0, k] if setup.free else 0.0
        out[6 * free + 3 + k] = a[0, k] if setup.free else 0.0
    account(setup, room, drag_power, lost, out[6 * free + 6 :])


@compiled(error_model="numpy")
def _start(setup: Setup, room: Room) -> None:
    """Acceleration of the base, from the grip's pose or, where it is free, from no force on it."""
    base = room.base
    if setup.free:
        whole = np.empty((3, 3))
        whole[0, 0], whole[0, 1], whole[0, 2] = base[0], base[1], base[2]
        whole[1, 0], whole[1, 1], whole[1, 2] = base[1], base[3], base[4]
        whole[2, 0], whole[2, 1], whole[2, 2] = base[2], base[4], base[5]
        room.a[0] = -np.linalg.solve(whole, base[6:9])
        return
    room.a[0] = room.near[2]
    if setup.first == 1:
        for k in range(3):
            room.a[1, k] = room.near[2, k] + setup.body.length[0] * room.near[5, k]


@compiled(error_model="numpy")
def account(setup: Setup, room: Room, drag_power: float, lost: float, out: Array) -> None:
    """Fill out (13,) with the rates of `ACCOUNTS`, and room.push with the forces of the ends.

    Powers [W], forces [N].
    """
    body, first, last = setup.body, setup.first, setup.last
    links = body.length.size
    a, base, mass, push = room.a, room.base, body.mass, room.push
    out[:] = 0.0
    out[1], out[3] = drag_power, lost
    x, y, z = a[first, 0], a[first, 1], a[first, 2]
    push[0, 0] = base[0] * x + base[1] * y + base[2] * z + base[6]
    push[0, 1] = base[1] * x + base[3] * y + base[4] * z + base[7]
    push[0, 2] = base[2] * x + base[4] * y + base[5] * z + base[8]
    work = 0.0
    for k in range(3):
        if first == 1:
            root = mass[0, 0] * a[0, k] + mass[0, 1] * a[1, k] - room.force[0, k]
            grip = push[0, k] + mass[0, 1] * a[0, k] + mass[0, 2] * a[1, k]
            work += root * room.v[0, k] + grip * room.v[1, k] - room.torque[0, k] * room.w[0, k]
            push[0, k] = root + grip
        else:
            work += push[0, k] * room.v[0, k] + room.joint[0, k] * room.near[4, k]
    out[0] = 0.0 if setup.free else work
    end = 0.0
    if setup.held:
        for k in range(3):
            if last < links:
                near = mass[last, 0] * a[last, k] + mass[last, 1] * a[links, k]
                tail = mass[last, 1] * a[last, k] + mass[last, 2] * a[links, k]
                near += push[1, k]
                tail -= room.force[links, k]
                end += near * room.v[last, k] + tail * room.v[links, k]
                end -= room.torque[last, k] * room.w[last, k]
                push[1, k] = near + tail
            else:
                end += push[1, k] * room.v[links, k] - room.joint[1, k] * room.far[4, k]
    out[2] = end
    for k in range(3):
        out[4 + k] = 0.0 if setup.free else push[0, k]
        out[10 + k] = push[1, k]
    for j in range(links + 1):
        for k in range(3):
            out[7 + k] += room.drag[j, k]


@compiled(error_model="numpy")
def link_tension(setup: Setup, room: Room, out: Array) -> None:
    """Fill out (N,): the pull [N] along each free link, from the free end inward."""
    body, first, last = setup.body, setup.first, setup.last
    need = -room.force[last]
    for j in range(last - 1, first - 1, -1):
        pull = 0.0
        aa, ab, bb = body.mass[j, 0], body.mass[j, 1], body.mass[j, 2]
        for k in range(3):
            far = ab * room.a[j, k] + bb * room.a[j + 1, k]
            pull -= (need[k] + far) * room.t[j, k]
            need[k] += far + aa * room.a[j, k] + ab * room.a[j + 1, k] - room.force[j, k]
        out[j] = pull
