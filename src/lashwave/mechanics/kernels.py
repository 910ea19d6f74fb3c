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
from collections.abc import Callable
from typing import NamedTuple

import numba as nb
import numpy as np
from numpy.typing import NDArray

from lashwave.mechanics.drag import mach_factor, normal_coefficient, tangential_coefficient

Array = NDArray[np.float64]

SOFT_ANGLE = 1e-2
"""Kelvin-Voigt damping acts along the difference of two directions; for joints straighter than
this [rad], where that direction loses its meaning, it acts on every bending rate."""

POWERS = 9
"""Integrated along: hand work, drag work, damping loss, hand impulse (3), drag impulse (3)."""


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
    normal: float
    tangential: float
    damping: float
    first: int
    last: int


class Drive(NamedTuple):
    """Motion of a driven end: cubic pieces of position and (unnormalised) direction."""

    knots: Array  # (G,)
    pieces: Array  # (G - 1, 4, 6)


@nb.njit(cache=True, error_model="numpy")
def pose(drive, time, out):  # type: ignore[no-untyped-def]
    """Fill out (6, 3): position, velocity, acceleration, direction, its rate, its second rate."""
    knots = drive.knots
    i = np.searchsorted(knots, time, side="right") - 1
    i = min(max(i, 0), knots.size - 2)
    x = time - knots[i]
    c = drive.pieces[i]
    for k in range(3):
        out[0, k] = ((c[0, k] * x + c[1, k]) * x + c[2, k]) * x + c[3, k]
        out[1, k] = (3 * c[0, k] * x + 2 * c[1, k]) * x + c[2, k]
        out[2, k] = 6 * c[0, k] * x + 2 * c[1, k]
        m = k + 3
        out[3, k] = ((c[0, m] * x + c[1, m]) * x + c[2, m]) * x + c[3, m]
        out[4, k] = (3 * c[0, m] * x + 2 * c[1, m]) * x + c[2, m]
        out[5, k] = 6 * c[0, m] * x + 2 * c[1, m]
    size = np.sqrt(out[3, 0] ** 2 + out[3, 1] ** 2 + out[3, 2] ** 2)
    along = (out[3, 0] * out[4, 0] + out[3, 1] * out[4, 1] + out[3, 2] * out[4, 2]) / size
    bend = 0.0
    for k in range(3):
        out[3, k] /= size
        rate = (out[4, k] - along * out[3, k]) / size
        bend += rate * out[4, k] + out[3, k] * out[5, k]
        out[4, k] = rate
    for k in range(3):
        out[5, k] = (out[5, k] - 2 * along * out[4, k] - bend * out[3, k]) / size


PARTS = 128
_OCTAVES = 64


def _octaves(law: Callable[[float], float]) -> Array:
    """(64, PARTS + 1): a law of one number from 2^-16 to 2^48, evenly cut within each octave."""
    part = np.arange(PARTS + 1) / PARTS
    return np.array([[law(2.0 ** (k - 16) * (1 + x)) for x in part] for k in range(_OCTAVES)])


# powers cost more than all the rest of a link: read them off, straight between points 1/128 of
# an octave apart (relative error under 1e-5)
_NORMAL = _octaves(lambda reynolds: float(normal_coefficient(reynolds, 0.0)))
_SKIN = _octaves(lambda reynolds: float(tangential_coefficient(reynolds)))

# straight between Mach numbers 1/1024 apart, constant above 2.9 as the law is
_RISE = np.array([mach_factor(k / 1024) for k in range(2971)])


@nb.njit(cache=True, error_model="numpy", inline="always")
def rise(mach):  # type: ignore[no-untyped-def]
    """Mach number's factor on the normal drag, from its table."""
    place = min(mach * 1024.0, 2969.0)
    i = int(place)
    return _RISE[i] + (place - i) * (_RISE[i + 1] - _RISE[i])


@nb.njit(cache=True, error_model="numpy")
def read_off(table, x):  # type: ignore[no-untyped-def]
    """A law of one positive number from its table."""
    if x < 2.0**-16:
        return table[0, 0]
    fraction, exponent = math.frexp(x)
    place = (2.0 * fraction - 1.0) * PARTS
    i = min(int(place), PARTS - 1)
    row = min(exponent + 15, _OCTAVES - 1)
    return table[row, i] + (place - i) * (table[row, i + 1] - table[row, i])


@nb.njit(cache=True, error_model="numpy")
def link_drag(body, j, tx, ty, tz, vx, vy, vz):  # type: ignore[no-untyped-def]
    """Drag on link j [N] that moves at (vx, vy, vz) through still air."""
    along = vx * tx + vy * ty + vz * tz
    nx, ny, nz = vx - along * tx, vy - along * ty, vz - along * tz
    speed = np.sqrt(nx * nx + ny * ny + nz * nz)
    slide = abs(along)
    d = body.diameter[j]
    scale = d / body.viscosity * body.density
    half = 0.5 * body.density * d * body.length[j]
    cross = 0.0
    if speed > 0.0:
        cross = -half * body.normal * speed
        cross *= read_off(_NORMAL, scale * speed) * rise(speed / body.sound)
    skin = 0.0
    if slide > 0.0:
        skin = -half * np.pi * body.tangential * read_off(_SKIN, scale * slide) * slide * along
    return cross * nx + skin * tx, cross * ny + skin * ty, cross * nz + skin * tz


@nb.njit(cache=True, error_model="numpy")
def loads(body, t, v, force, drag):  # type: ignore[no-untyped-def]
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
            fx, fy, fz = link_drag(body, j, t[j, 0], t[j, 1], t[j, 2], vx, vy, vz)
            power += fx * vx + fy * vy + fz * vz
            for n in (j, j + 1):
                drag[n, 0] += 0.5 * fx
                drag[n, 1] += 0.5 * fy
                drag[n, 2] += 0.5 * fz
    if windy:
        for j in range(links + 1):
            if body.bluff[j] > 0.0:
                speed = np.sqrt(v[j, 0] ** 2 + v[j, 1] ** 2 + v[j, 2] ** 2)
                push = 0.5 * body.density * body.bluff[j] * speed
                power -= push * speed * speed
                for k in range(3):
                    drag[j, k] -= push * v[j, k]
    force += drag
    return power


@nb.njit(cache=True, error_model="numpy")
def joint(stiffness, damping, s, t, u, w, out):  # type: ignore[no-untyped-def]
    """Force-like torque out (3,) on direction t from the joint to the direction s before it.

    u and w are the rates of s and t. It is minus the gradient of stiffness/2 |t - s|^2, damped
    along t - s only: turning the pair as a whole feels nothing. Returns the power lost [W].
    """
    size, rate = 0.0, 0.0
    for k in range(3):
        size += (t[k] - s[k]) ** 2
        rate += (t[k] - s[k]) * (w[k] - u[k])
    soft = SOFT_ANGLE * SOFT_ANGLE
    share = 1.0 / (size + soft)
    power = 0.0
    for k in range(3):
        turn = share * (rate * (t[k] - s[k]) + soft * (w[k] - u[k]))
        out[k] = -stiffness * (t[k] - s[k] + damping * turn)
        power += stiffness * damping * turn * (w[k] - u[k])
    return power


@nb.njit(cache=True, error_model="numpy")
def bending(body, t, w, torque):  # type: ignore[no-untyped-def]
    """Fill torque (N, 3) on the link directions from all joints. Returns the damping loss [W].

    t and w hold every link, the rigid ends' included. A clamp without a rigid link is left to
    the caller.
    """
    torque[:] = 0.0
    out = np.empty(3)
    lost = 0.0
    for j in range(1, t.shape[0]):
        stiffness = body.bend[j]
        if stiffness > 0.0:
            lost += joint(stiffness, body.damping, t[j - 1], t[j], w[j - 1], w[j], out)
            for k in range(3):
                torque[j, k] += out[k]
                torque[j - 1, k] -= out[k]
    return lost


@nb.njit(cache=True, inline="always", error_model="numpy")
def across(x, y, z, bxx, axy, axz, byy, ayz, bzz):  # type: ignore[no-untyped-def]
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


@nb.njit(cache=True, error_model="numpy")
def inward(body, t, w, force, torque, links, base, store):  # type: ignore[no-untyped-def]
    """From the tip to the grip: A and p of the first free node, and what `outward` needs.

    links : (first, last), the free links. base (9,) is filled with A (xx, xy, xz, yy, yz, zz) and
    p (3). store (N, 12): m (3), D (6), z (3) of each link, so that the far node's acceleration is
    z + m (t.a) - m_ab D a when a is the near node's.
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


@nb.njit(cache=True, error_model="numpy")
def outward(body, t, store, links, acceleration):  # type: ignore[no-untyped-def]
    """Fill node accelerations (N + 1, 3) of the free links from that of node `first`."""
    for j in range(links[0], links[1]):
        ab = body.mass[j, 1]
        x, y, z = acceleration[j, 0], acceleration[j, 1], acceleration[j, 2]
        s = store[j]
        along = t[j, 0] * x + t[j, 1] * y + t[j, 2] * z
        acceleration[j + 1, 0] = s[9] + s[0] * along - ab * (s[3] * x + s[4] * y + s[5] * z)
        acceleration[j + 1, 1] = s[10] + s[1] * along - ab * (s[4] * x + s[6] * y + s[7] * z)
        acceleration[j + 1, 2] = s[11] + s[2] * along - ab * (s[5] * x + s[7] * y + s[8] * z)
