"""Compiled kernels: accelerations of a chain of rigid links, in time linear in its links.

Unknown are the link directions t_j and their rates w_j; the first free link hangs from a base
whose motion is given. Loads enter at the nodes, bending at the joints. With R_j the force that
node j must be given to move as it does, R_j = A_j a_j + p_j holds with a symmetric 3 x 3 A_j that
follows from the tip inward (the recursion of articulated bodies; Featherstone, Rigid Body
Dynamics Algorithms, 2008, specialised here to slender links with a 2 x 2 mass); outward again it
gives the accelerations. No system is formed, and links are exactly rigid.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from lashwave.mechanics.bending import at, joint
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.drag import body_drag, link_drag
from lashwave.quantities import Array


class Body(NamedTuple):
    """A chain, its law and its air, as the kernels take them."""

    mass: Array  # (N, 3)
    length: Array  # (N,)
    bend: Array  # (N + 1,), the last one at a held far end
    diameter: Array  # (N,)
    bluff: Array  # (N + 1,), the tuft's scaled area included
    gravity: Array  # (3,)
    density: float
    viscosity: float
    sound: float
    normal: Array  # (N,)
    tangential: float
    damping: Array  # (N + 1,) [s], the last one at a held far end
    first: int
    last: int


class Drive(NamedTuple):
    """Motion of a driven end: cubic pieces of position and (unnormalised) direction."""

    knots: Array  # (G,)
    pieces: Array  # (G - 1, 4, 6)


@compiled(error_model="numpy")
def posed(c: Array, x: float, out: Array) -> None:
    """As `pose`, from one cubic piece c (4, 6), x [s] after its beginning."""
    for k in range(3):
        out[0, k] = ((c[0, k] * x + c[1, k]) * x + c[2, k]) * x + c[3, k]
        out[1, k] = (3 * c[0, k] * x + 2 * c[1, k]) * x + c[2, k]
        out[2, k] = 6 * c[0, k] * x + 2 * c[1, k]
        m = k + 3
        out[3, k] = ((c[0, m] * x + c[1, m]) * x + c[2, m]) * x + c[3, m]
        out[4, k] = (3 * c[0, m] * x + 2 * c[1, m]) * x + c[2, m]
        out[5, k] = 6 * c[0, m] * x + 2 * c[1, m]
    size = math.sqrt(out[3, 0] ** 2 + out[3, 1] ** 2 + out[3, 2] ** 2)
    along = (out[3, 0] * out[4, 0] + out[3, 1] * out[4, 1] + out[3, 2] * out[4, 2]) / size
    bend = 0.0
    for k in range(3):
        out[3, k] /= size
        rate = (out[4, k] - along * out[3, k]) / size
        bend += rate * out[4, k] + out[3, k] * out[5, k]
        out[4, k] = rate
    for k in range(3):
        out[5, k] = (out[5, k] - 2 * along * out[4, k] - bend * out[3, k]) / size


@compiled(error_model="numpy")
def pose(drive: Drive, time: float, out: Array) -> None:
    """Fill out (6, 3): position, velocity, acceleration, direction, its rate, its second rate.

    In m and s; the direction's length has no unit.
    """
    knots = drive.knots
    i = int(np.searchsorted(knots, time, side="right")) - 1
    i = min(max(i, 0), knots.size - 2)
    posed(drive.pieces[i], time - knots[i], out)


@compiled(error_model="numpy")
def loads(body: Body, t: Array, v: Array, force: Array, drag: Array) -> float:
    """Fill node forces: force (N + 1, 3) with gravity and drag, drag (N + 1, 3) alone.

    t (N, 3) link directions, v (N + 1, 3) node velocities. Returns the power of the drag [W].
    """
    links = t.shape[0]
    g = body.gravity
    power = 0.0
    drag[:] = 0.0
    force[:] = 0.0
    windy = body.density > 0.0
    for j in range(links):
        a, b, c = body.mass[j, 0], body.mass[j, 1], body.mass[j, 2]
        for k in range(3):
            force[j, k] += (a + b) * g[k]
            force[j + 1, k] += (b + c) * g[k]
        if windy:
            vx = 0.5 * (v[j, 0] + v[j + 1, 0])
            vy = 0.5 * (v[j, 1] + v[j + 1, 1])
            vz = 0.5 * (v[j, 2] + v[j + 1, 2])
            along = vx * t[j, 0] + vy * t[j, 1] + vz * t[j, 2]
            nx, ny, nz = vx - along * t[j, 0], vy - along * t[j, 1], vz - along * t[j, 2]
            across = np.sqrt(nx * nx + ny * ny + nz * nz)
            cross, skin, _, _ = link_drag(
                across, along, body.length[j], body.diameter[j], body.density, body.viscosity,
                body.sound, body.normal[j], body.tangential,
            )  # fmt: skip
            skin *= along
            fx = -cross * nx - skin * t[j, 0]
            fy = -cross * ny - skin * t[j, 1]
            fz = -cross * nz - skin * t[j, 2]
            power += fx * vx + fy * vy + fz * vz
            for n in (j, j + 1):
                drag[n, 0] += 0.5 * fx
                drag[n, 1] += 0.5 * fy
                drag[n, 2] += 0.5 * fz
    if windy:
        for j in range(links + 1):
            if body.bluff[j] > 0.0:
                speed = np.sqrt(v[j, 0] ** 2 + v[j, 1] ** 2 + v[j, 2] ** 2)
                push = body_drag(speed, body.bluff[j], body.density)
                power -= push * speed * speed
                for k in range(3):
                    drag[j, k] -= push * v[j, k]
    force += drag
    return power


@compiled(error_model="numpy")
def bending(body: Body, t: Array, w: Array, torque: Array) -> float:
    """Fill torque (N, 3) on the link directions from all joints. Returns the damping loss [W].

    t and w hold every link, the rigid ends' included. A clamp without a rigid link is left to
    the caller.
    """
    torque[:] = 0.0
    lost = 0.0
    for j in range(1, t.shape[0]):
        stiffness = body.bend[j]
        if stiffness > 0.0:
            x, y, z, _, loss = joint(
                stiffness, body.damping[j], at(t, j - 1), at(t, j), at(w, j - 1), at(w, j)
            )
            lost += loss
            torque[j, 0] += x
            torque[j, 1] += y
            torque[j, 2] += z
            torque[j - 1, 0] -= x
            torque[j - 1, 1] -= y
            torque[j - 1, 2] -= z
    return lost


@compiled(inline="always", error_model="numpy")
def across(
    x: float,
    y: float,
    z: float,
    bxx: float,
    axy: float,
    axz: float,
    byy: float,
    ayz: float,
    bzz: float,
) -> tuple[float, ...]:
    """How an inertia B at a link's far end answers across the direction (x, y, z).

    Returns m = B^-1 t / (t.B^-1 t), D = the inverse of B across t, and 1 / (t.B^-1 t).
    """
    # adj(B) t, with B the inertia that the far node carries
    cx = (byy * bzz - ayz * ayz) * x + (axz * ayz - axy * bzz) * y + (axy * ayz - axz * byy) * z
    cy = (axz * ayz - axy * bzz) * x + (bxx * bzz - axz * axz) * y + (axy * axz - bxx * ayz) * z
    cz = (axy * ayz - axz * byy) * x + (axy * axz - bxx * ayz) * y + (bxx * byy - axy * axy) * z
    plane = 1.0 / (x * cx + y * cy + z * cz)
    mx, my, mz = cx * plane, cy * plane, cz * plane
    whole = (
        bxx * (byy * bzz - ayz * ayz)
        + axy * (axz * ayz - axy * bzz)
        + axz * (axy * ayz - axz * byy)
    )
    carried = whole * plane
    # D, the inverse of B across t: J' B J / det with J v = t x v
    ux, uy, uz = axy * z - axz * y, byy * z - ayz * y, ayz * z - bzz * y
    dxx = (z * uy - y * uz) * plane
    dxy = (x * uz - z * ux) * plane
    dxz = (y * ux - x * uy) * plane
    ux, uy, uz = axz * x - bxx * z, ayz * x - axy * z, bzz * x - axz * z
    dyy = (x * uz - z * ux) * plane
    dyz = (y * ux - x * uy) * plane
    ux, uy = bxx * y - axy * x, axy * y - byy * x
    dzz = (y * ux - x * uy) * plane
    return mx, my, mz, dxx, dxy, dxz, dyy, dyz, dzz, carried


@compiled(error_model="numpy")
def inward(
    body: Body,
    t: Array,
    w: Array,
    force: Array,
    torque: Array,
    links: tuple[int, int],
    base: Array,
    store: Array,
) -> None:
    """From the tip to the grip: A and p of the first free node, and what `outward` needs.

    links : (first, last), the free links. base (9,) is filled with A (xx, xy, xz, yy, yz, zz) and
    p (3). store (N, 12): m (3), D (6), z (3) of each link, so that the far node's acceleration is
    z + m (t.a) - m_ab D a when a is the near node's.

    A [kg], p and force (N + 1, 3) [N]; torque (N, 3) [N m].
    """
    first, last = links
    axx, axy, axz, ayy, ayz, azz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    px, py, pz = -force[last, 0], -force[last, 1], -force[last, 2]
    for j in range(last - 1, first - 1, -1):
        x, y, z = t[j, 0], t[j, 1], t[j, 2]
        aa, ab, bb, length = body.mass[j, 0], body.mass[j, 1], body.mass[j, 2], body.length[j]
        mx, my, mz, dxx, dxy, dxz, dyy, dyz, dzz, carried = across(
            x, y, z, axx + bb, axy, axz, ayy + bb, ayz, azz + bb
        )
        spin = w[j, 0] ** 2 + w[j, 1] ** 2 + w[j, 2] ** 2
        pull = -length * spin
        qx, qy, qz = torque[j, 0] / length, torque[j, 1] / length, torque[j, 2] / length
        along = qx * x + qy * y + qz * z
        qx, qy, qz = qx - along * x, qy - along * y, qz - along * z
        rx, ry, rz = px - qx, py - qy, pz - qz
        ex = dxx * rx + dxy * ry + dxz * rz + pull * (x - mx)
        ey = dxy * rx + dyy * ry + dyz * rz + pull * (y - my)
        ez = dxz * rx + dyz * ry + dzz * rz + pull * (z - mz)
        store[j, 0], store[j, 1], store[j, 2] = mx, my, mz
        store[j, 3], store[j, 4], store[j, 5] = dxx, dxy, dxz
        store[j, 6], store[j, 7], store[j, 8] = dyy, dyz, dzz
        store[j, 9], store[j, 10], store[j, 11] = pull * x - ex, pull * y - ey, pull * z - ez
        share = pull * (carried + ab) + mx * rx + my * ry + mz * rz
        px = share * x + qx - ab * ex - force[j, 0]
        py = share * y + qy - ab * ey - force[j, 1]
        pz = share * z + qz - ab * ez - force[j, 2]
        square = ab * ab
        axx = aa + carried * x * x + 2 * ab * x * mx - square * dxx
        ayy = aa + carried * y * y + 2 * ab * y * my - square * dyy
        azz = aa + carried * z * z + 2 * ab * z * mz - square * dzz
        axy = carried * x * y + ab * (x * my + y * mx) - square * dxy
        axz = carried * x * z + ab * (x * mz + z * mx) - square * dxz
        ayz = carried * y * z + ab * (y * mz + z * my) - square * dyz
    base[0], base[1], base[2], base[3], base[4], base[5] = axx, axy, axz, ayy, ayz, azz
    base[6], base[7], base[8] = px, py, pz


@compiled(error_model="numpy")
def outward(
    body: Body, t: Array, store: Array, links: tuple[int, int], acceleration: Array
) -> None:
    """Fill node accelerations (N + 1, 3) [m/s2] of the free links from that of node `first`."""
    for j in range(links[0], links[1]):
        ab = body.mass[j, 1]
        x, y, z = acceleration[j, 0], acceleration[j, 1], acceleration[j, 2]
        s = store[j]
        along = t[j, 0] * x + t[j, 1] * y + t[j, 2] * z
        acceleration[j + 1, 0] = s[9] + s[0] * along - ab * (s[3] * x + s[4] * y + s[5] * z)
        acceleration[j + 1, 1] = s[10] + s[1] * along - ab * (s[4] * x + s[6] * y + s[7] * z)
        acceleration[j + 1, 2] = s[11] + s[2] * along - ab * (s[5] * x + s[7] * y + s[8] * z)
