"""Compiled forces on nodes that hold the mass of a line: weight, drag, bending, driven ends."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.bending import at, bend_energy, joint, sharpness
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.drag import body_drag, link_drag
from lashwave.mechanics.kernels import Body, pose
from lashwave.mechanics.rates import Setup
from lashwave.quantities import Array


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def forces(
    setup: Setup,
    x: Array,
    v: Array,
    t: Array,
    w: Array,
    f: Array,
    near: Array,
    far: Array,
    spent: Array,
) -> None:
    """Fill f (N + 1, 3) with gravity, drag, bending; t, w (N, 3) with directions and rates.

    spent (8,) is filled with the drag's power, damping's loss, the drag's force (3), and the torque
    power of a clamp without a rigid link at the near and at the far end.

    x [m], v [m/s], f [N]; near and far (6, 3) are poses.
    """
    body = setup.body
    spent[:] = 0.0
    f[:] = 0.0
    for j in range(body.length.size):
        over = 1.0 / body.length[j]
        a = body.mass[j, 0] + body.mass[j, 1]
        b = body.mass[j, 1] + body.mass[j, 2]
        for k in range(3):
            t[j, k] = (x[j + 1, k] - x[j, k]) * over
            w[j, k] = (v[j + 1, k] - v[j, k]) * over
            f[j, k] += a * body.gravity[k]
            f[j + 1, k] += b * body.gravity[k]
    if body.density > 0.0:
        _drag(body, v, t, f, spent)
    _bending(setup, t, w, f, near, far, spent)


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def _drag(body: Body, v: Array, t: Array, f: Array, spent: Array) -> None:
    """Add the drag of links and bodies to f, its power and force to spent[0], spent[2:5]."""
    links = body.length.size
    for j in range(links):
        x, y, z = t[j, 0], t[j, 1], t[j, 2]
        vx, vy, vz = v[j, 0] + v[j + 1, 0], v[j, 1] + v[j + 1, 1], v[j, 2] + v[j + 1, 2]
        vx, vy, vz = 0.5 * vx, 0.5 * vy, 0.5 * vz
        along = vx * x + vy * y + vz * z
        nx, ny, nz = vx - along * x, vy - along * y, vz - along * z
        across = np.sqrt(nx * nx + ny * ny + nz * nz)
        cross, skin, _, _ = link_drag(
            across, along, body.length[j], body.diameter[j], body.density, body.viscosity,
            body.sound, body.normal, body.tangential,
        )  # fmt: skip
        skin *= along
        fx, fy, fz = -cross * nx - skin * x, -cross * ny - skin * y, -cross * nz - skin * z
        spent[0] += fx * vx + fy * vy + fz * vz
        spent[2] += fx
        spent[3] += fy
        spent[4] += fz
        for i in (j, j + 1):
            f[i, 0] += 0.5 * fx
            f[i, 1] += 0.5 * fy
            f[i, 2] += 0.5 * fz
    for j in range(links + 1):
        if body.bluff[j] > 0.0:
            speed = np.sqrt(v[j, 0] ** 2 + v[j, 1] ** 2 + v[j, 2] ** 2)
            push = body_drag(speed, body.bluff[j], body.density)
            spent[0] -= push * speed * speed
            for k in range(3):
                f[j, k] -= push * v[j, k]
                spent[2 + k] -= push * v[j, k]


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def _bending(
    setup: Setup, t: Array, w: Array, f: Array, near: Array, far: Array, spent: Array
) -> None:
    """Add the couples of all joints to f, their loss and the clamps' powers to spent."""
    body, links = setup.body, setup.body.length.size
    for j in range(1, links):
        if body.bend[j] > 0.0:
            x, y, z, _, loss = joint(
                body.bend[j], body.damping, at(t, j - 1), at(t, j), at(w, j - 1), at(w, j)
            )
            spent[1] += loss
            turn(f, t, j, x, y, z, body.length[j])
            turn(f, t, j - 1, -x, -y, -z, body.length[j - 1])
    if setup.first == 0 and not setup.free and body.bend[0] > 0.0:
        x, y, z, _, loss = joint(
            body.bend[0], body.damping, at(near, 3), at(t, 0), at(near, 4), at(w, 0)
        )
        spent[1] += loss
        spent[5] = x * near[4, 0] + y * near[4, 1] + z * near[4, 2]
        turn(f, t, 0, x, y, z, body.length[0])
    if setup.held and setup.last == links and body.bend[links] > 0.0:
        end = links - 1
        x, y, z, _, loss = joint(
            body.bend[links], body.damping, at(t, end), at(far, 3), at(w, end), at(far, 4)
        )
        spent[1] += loss
        spent[6] = -(x * far[4, 0] + y * far[4, 1] + z * far[4, 2])
        turn(f, t, end, -x, -y, -z, body.length[end])


@compiled(inline="always", error_model="numpy")
def turn(f: Array, t: Array, j: int, x: float, y: float, z: float, length: float) -> None:
    """Add to the nodes of link j the forces that turn its direction by (x, y, z) [N m]."""
    along = x * t[j, 0] + y * t[j, 1] + z * t[j, 2]
    over = 1.0 / length
    x, y, z = (
        (x - along * t[j, 0]) * over,
        (y - along * t[j, 1]) * over,
        (z - along * t[j, 2]) * over,
    )
    f[j, 0] -= x
    f[j, 1] -= y
    f[j, 2] -= z
    f[j + 1, 0] += x
    f[j + 1, 1] += y
    f[j + 1, 2] += z


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def drive(setup: Setup, time: float, near: Array, far: Array, x: Array, v: Array, a: Array) -> None:
    """Places, velocities and accelerations of the driven nodes at a time.

    near, far : (6, 3), filled with `pose`. x, v, a : (N + 1, 3) [m, m/s, m/s2], filled there.
    """
    first, last, links = setup.first, setup.last, setup.body.length.size
    if not setup.free:
        pose(setup.near, time, near)
        for k in range(3):
            x[0, k], v[0, k], a[0, k] = near[0, k], near[1, k], near[2, k]
            if first == 1:
                reach = setup.body.length[0]
                x[1, k] = near[0, k] + reach * near[3, k]
                v[1, k] = near[1, k] + reach * near[4, k]
                a[1, k] = near[2, k] + reach * near[5, k]
    if setup.held:
        pose(setup.far, time, far)
        for k in range(3):
            x[links, k], v[links, k], a[links, k] = far[0, k], far[1, k], far[2, k]
            if last < links:
                reach = setup.body.length[last]
                x[last, k] = far[0, k] - reach * far[3, k]
                v[last, k] = far[1, k] - reach * far[4, k]
                a[last, k] = far[2, k] - reach * far[5, k]


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def ends(
    setup: Setup,
    mass: Array,
    a: Array,
    f: Array,
    v: Array,
    t: Array,
    pull: Array,
    spent: Array,
    out: Array,
) -> None:
    """Fill out (13,) with the rates of `rates.ACCOUNTS`: [W] and [N] of hand, held end, air.

    f (N + 1, 3) holds no pulls yet; a and v are the nodes' accelerations and velocities.
    """
    first, last, links = setup.first, setup.last, setup.body.length.size
    out[:] = 0.0
    out[1], out[3] = spent[0], spent[1]
    for k in range(3):
        out[7 + k] = spent[2 + k]
    if not setup.free:
        out[0] = spent[5]
        for i in range(first + 1):
            for k in range(3):
                push = mass[i] * a[i, k] - f[i, k]
                if i == first:
                    push -= pull[first] * t[first, k]
                out[4 + k] += push
                out[0] += push * v[i, k]
    if setup.held:
        out[2] = spent[6]
        for i in range(last, links + 1):
            for k in range(3):
                push = mass[i] * a[i, k] - f[i, k]
                if i == last:
                    push += pull[last - 1] * t[last - 1, k]
                out[10 + k] += push
                out[2] += push * v[i, k]


@compiled(error_model="numpy")
def bending_energy(setup: Setup, times: Array, places: Array) -> Array:
    """Energy stored in all joints [J] at each time (T,), of places (T, N + 1, 3) [m]."""
    body = setup.body
    links = body.length.size
    near, far = np.zeros((6, 3)), np.zeros((6, 3))
    stored = np.zeros(times.size)
    for i in range(times.size):
        t = np.empty((links, 3))
        for j in range(links):
            for k in range(3):
                t[j, k] = (places[i, j + 1, k] - places[i, j, k]) / body.length[j]
        for j in range(1, links):
            stored[i] += body.bend[j] * bend_energy(sharpness(t[j - 1], t[j]))
        if setup.first == 0 and not setup.free:
            pose(setup.near, times[i], near)
            stored[i] += body.bend[0] * bend_energy(sharpness(near[3], t[0]))
        if setup.held and setup.last == links:
            pose(setup.far, times[i], far)
            stored[i] += body.bend[links] * bend_energy(sharpness(t[links - 1], far[3]))
    return stored
