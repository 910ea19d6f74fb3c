"""Compiled forces on nodes that hold the mass of a line: weight, drag, bending, driven ends.

Links stand side by side while drag and bending are found, as many at once as lanes are wide: both
are long sums of a link or a joint alone, and half of a step when they are taken one by one.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from lashwave.mechanics.bending import at, bend_energy, joint, sharpness
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.drag import body_drag, link_drag
from lashwave.mechanics.kernels import Body, pose
from lashwave.mechanics.lanes import WIDTH, lanes_from
from lashwave.mechanics.rates import Setup
from lashwave.quantities import Array

# Rows of the links side by side: middle velocity, direction and its rate, length, diameter, bending
# stiffness of the joint before it and its damping time, scale of the drag across; then drag, couple
# of that joint and its loss.
V, T, W, LENGTH, DIAMETER, BEND, DAMPING, ACROSS, DRAG, COUPLE, LOSS = (
    0, 3, 6, 9, 10, 11, 12, 13, 14, 17, 20,
)  # fmt: skip


@compiled(error_model="numpy")
def abreast(body: Body) -> Array:
    """Work space (21, M) of `forces` [m, m/s, 1/s, N m, N, W]: a column a link, and a few more."""
    links = body.length.size
    out = np.zeros((LOSS + 1, (links // WIDTH + 2) * WIDTH))
    out[LENGTH : DIAMETER + 1] = 1.0
    for j in range(links):
        out[LENGTH, j], out[DIAMETER, j] = body.length[j], body.diameter[j]
        out[BEND, j], out[DAMPING, j] = body.bend[j], body.damping[j]
        out[ACROSS, j] = body.normal[j]
    return out


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
    beside: Array,
) -> None:
    """Fill f (N + 1, 3) with gravity, drag, bending; t, w (N, 3) with directions and rates.

    spent (8,) is filled with the drag's power, damping's loss, the drag's force (3), and the torque
    power of a clamp without a rigid link at the near and at the far end.

    x [m], v [m/s], f [N]; near and far (6, 3) are poses; beside : of `abreast`.
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
            beside[T + k, j], beside[W + k, j] = t[j, k], w[j, k]
            beside[V + k, j] = 0.5 * (v[j, k] + v[j + 1, k])
            f[j, k] += a * body.gravity[k]
            f[j + 1, k] += b * body.gravity[k]
    if body.density > 0.0:
        _drag(body, v, f, spent, beside)
    _bending(setup, t, w, f, near, far, spent, beside)


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def _drag(body: Body, v: Array, f: Array, spent: Array, beside: Array) -> None:
    """Add the drag of links and bodies to f, its power and force to spent[0], spent[2:5]."""
    links = body.length.size
    for first in range(0, links, WIDTH):
        m: Any = lanes_from(first)
        x, y, z = beside[T, m], beside[T + 1, m], beside[T + 2, m]
        vx, vy, vz = beside[V, m], beside[V + 1, m], beside[V + 2, m]
        along = vx * x + vy * y + vz * z
        nx, ny, nz = vx - along * x, vy - along * y, vz - along * z
        across = math.sqrt(nx * nx + ny * ny + nz * nz)
        cross, skin, _, _ = link_drag(
            across, along, beside[LENGTH, m], beside[DIAMETER, m], body.density, body.viscosity,
            body.sound, beside[ACROSS, m], body.tangential,
        )  # fmt: skip
        skin = skin * along
        beside[DRAG, m] = -cross * nx - skin * x
        beside[DRAG + 1, m] = -cross * ny - skin * y
        beside[DRAG + 2, m] = -cross * nz - skin * z
    for j in range(links):
        for k in range(3):
            push = beside[DRAG + k, j]
            spent[0] += push * beside[V + k, j]
            spent[2 + k] += push
            f[j, k] += 0.5 * push
            f[j + 1, k] += 0.5 * push
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
    setup: Setup, t: Array, w: Array, f: Array, near: Array, far: Array, spent: Array, beside: Array
) -> None:
    """Add the couples of all joints to f, their loss and the clamps' powers to spent."""
    body, links = setup.body, setup.body.length.size
    for first in range(1, links, WIDTH):
        m: Any = lanes_from(first)
        o: Any = lanes_from(first - 1)
        x, y, z, _, loss = joint(
            beside[BEND, m], beside[DAMPING, m],
            (beside[T, o], beside[T + 1, o], beside[T + 2, o]),
            (beside[T, m], beside[T + 1, m], beside[T + 2, m]),
            (beside[W, o], beside[W + 1, o], beside[W + 2, o]),
            (beside[W, m], beside[W + 1, m], beside[W + 2, m]),
        )  # fmt: skip
        beside[COUPLE, m], beside[COUPLE + 1, m], beside[COUPLE + 2, m] = x, y, z
        beside[LOSS, m] = loss
    for j in range(1, links):
        x, y, z = beside[COUPLE, j], beside[COUPLE + 1, j], beside[COUPLE + 2, j]
        spent[1] += beside[LOSS, j]
        turn(f, t, j, x, y, z, body.length[j])
        turn(f, t, j - 1, -x, -y, -z, body.length[j - 1])
    if setup.first == 0 and not setup.free and body.bend[0] > 0.0:
        x, y, z, _, loss = joint(
            body.bend[0], body.damping[0], at(near, 3), at(t, 0), at(near, 4), at(w, 0)
        )
        spent[1] += loss
        spent[5] = x * near[4, 0] + y * near[4, 1] + z * near[4, 2]
        turn(f, t, 0, x, y, z, body.length[0])
    if setup.held and setup.last == links and body.bend[links] > 0.0:
        end = links - 1
        x, y, z, _, loss = joint(
            body.bend[links], body.damping[links], at(t, end), at(far, 3), at(w, end), at(far, 4)
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
