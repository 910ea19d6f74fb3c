"""Compiled linear solve for the stiff forces: bending, its damping, and the pull of the tension.

With mass M, damping D and stiffness K of the link directions, `factor` and `solve` treat
(M + f D + f^2 K) u = r, f a fraction of the step, in time linear in the links. M couples all links,
but only through the nodes' motion: seen from node j, everything outboard is a quadratic form of
that node's motion and of the rate of the link before it, and such forms are eliminated link by
link from the tip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.mechanics.bending import SOFT, couple_ratio, friction_ratio, sharpness
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.rates import Room, Setup
from lashwave.quantities import Array


class Plan(NamedTuple):
    """A configuration and its factor; M free links."""

    frame: Array  # (M, 2, 3) two unit vectors across each link
    bend: Array  # (M + 1,) stiffness of the joint before each link; the last at a held end
    grow: Array  # (M + 1, 3, 3) how the couple grows with the bend, beside `bend`
    lose: Array  # (M + 1, 3, 3) damping matrix of that joint
    relative: Array  # (M + 1,) cosine of that joint
    pull: Array  # (M,) tension times length, where positive
    inverse: Array  # (M, 3) symmetric 2 x 2
    lean: Array  # (M, 3, 2)
    link: Array  # (M, 2, 2)
    root: Array  # (3, 3) inverse inertia of a free base
    tail: Array  # (M, 2, 3) replies to the three unit forces on a held far end
    grip: Array  # (3, 3) inverse reply of that end
    work: Array  # (M, 8) scratch of `solve`


def plan(free: int) -> Plan:
    """Room for so many free links."""
    z, ends = np.zeros, free + 1
    return Plan(
        z((free, 2, 3)), z(ends), z((ends, 3, 3)), z((ends, 3, 3)), z(ends), z(free), z((free, 3)),
        z((free, 3, 2)), z((free, 2, 2)), z((3, 3)), z((free, 2, 3)), z((3, 3)), z((free, 8)),
    )  # fmt: skip


@compiled(error_model="numpy")
def prepare(setup: Setup, room: Room, tension: Array, plan: Plan) -> None:
    """Fill what a plan needs of the configuration that the room holds; tension (N,) [N]."""
    body, first, last = setup.body, setup.first, setup.last
    links = body.length.size
    for i in range(last - first + 1):
        j = first + i
        stiffness = body.bend[j]
        if j == links and not setup.held:
            stiffness = 0.0
        plan.bend[i] = stiffness
        if stiffness > 0.0:
            fore = room.t[j] if j < links else room.far[3]
            rear = room.t[j - 1] if j > 0 else room.near[3]
            q = sharpness(rear, fore)
            ratio, slope = couple_ratio(q)
            rub = friction_ratio(q)[0]
            plan.bend[i] = stiffness * ratio
            plan.relative[i] = max(0.0, 1.0 - 2.0 * q)
            share = stiffness * body.damping[j] * rub / (4.0 * q + SOFT * SOFT)
            soft = share * SOFT * SOFT
            for k in range(3):
                for m in range(3):
                    delta = (fore[k] - rear[k]) * (fore[m] - rear[m])
                    plan.grow[i, k, m] = 0.5 * stiffness * slope * delta
                    tangent = 0.25 * rub * (fore[k] + rear[k]) * (fore[m] + rear[m])
                    plan.lose[i, k, m] = share * delta - soft * tangent
                plan.lose[i, k, k] += soft
    for i in range(last - first):
        j = first + i
        plan.pull[i] = max(0.0, tension[j]) * body.length[j]
        x, y, z = room.t[j, 0], room.t[j, 1], room.t[j, 2]
        # a frame without branches but one (Duff et al., J. Comput. Graph. Tech. 6 (2017) 1)
        sign = 1.0 if z >= 0 else -1.0
        a = -1.0 / (sign + z)
        b = x * y * a
        e = plan.frame[i]
        e[0, 0], e[0, 1], e[0, 2] = 1.0 + sign * x * x * a, sign * b, -sign * x
        e[1, 0], e[1, 1], e[1, 2] = b, sign + y * y * a, -y


@compiled(error_model="numpy")
def _couple(left: Array, matrix: Array, right: Array, out: Array) -> None:
    """out (2, 2) = left matrix right^T for frames (2, 3) and a symmetric (3, 3)."""
    for b in range(2):
        x = matrix[0, 0] * right[b, 0] + matrix[0, 1] * right[b, 1] + matrix[0, 2] * right[b, 2]
        y = matrix[1, 0] * right[b, 0] + matrix[1, 1] * right[b, 1] + matrix[1, 2] * right[b, 2]
        z = matrix[2, 0] * right[b, 0] + matrix[2, 1] * right[b, 1] + matrix[2, 2] * right[b, 2]
        for a in range(2):
            out[a, b] = left[a, 0] * x + left[a, 1] * y + left[a, 2] * z


@compiled(error_model="numpy")
def _across(plan: Plan, i: int, left: Array, right: Array, step: float, out: Array) -> None:
    """out (2, 2): joint i's damping and growing couple between two frames (2, 3)."""
    both = np.empty((3, 3))
    for k in range(3):
        for m in range(3):
            both[k, m] = step * (plan.lose[i, k, m] + step * plan.grow[i, k, m])
    _couple(left, both, right, out)


@compiled(error_model="numpy")
def _own(plan: Plan, i: int, frame: Array, step: float, out: Array) -> None:
    """out (2, 2): what joint i adds to one of its links, in that link's frame."""
    _across(plan, i, frame, frame, step, out)
    for a in range(2):
        out[a, a] += step * step * plan.bend[i] * plan.relative[i]


@compiled(error_model="numpy")
def factor(setup: Setup, plan: Plan, step: float) -> None:
    """Eliminate from the tip inward."""
    body, first = setup.body, setup.first
    free = setup.last - first
    inner, carry = np.zeros((3, 3)), np.zeros((3, 2))
    own, extra, form = np.zeros((2, 2)), np.zeros((2, 2)), np.zeros((2, 2))
    lean, gain = np.empty((3, 2)), np.empty((3, 2))
    if plan.bend[free] > 0.0:
        _own(plan, free, plan.frame[free - 1], step, extra)
    for i in range(free - 1, -1, -1):
        j = first + i
        e, length = plan.frame[i], body.length[j]
        aa, ab, bb = body.mass[j, 0], body.mass[j, 1], body.mass[j, 2]
        for k in range(3):
            inner[k, k] += bb
        _couple(e, inner, e, form)
        for a in range(2):
            for k in range(3):
                lean[k, a] = carry[k, a] + length * (
                    inner[k, 0] * e[a, 0] + inner[k, 1] * e[a, 1] + inner[k, 2] * e[a, 2]
                    + ab * e[a, k]
                )  # fmt: skip
            for b in range(2):
                mixed = 0.0
                for k in range(3):
                    mixed += e[a, k] * carry[k, b] + e[b, k] * carry[k, a]
                form[a, b] = length * length * form[a, b] + length * mixed + extra[a, b]
            form[a, a] += step * step * plan.pull[i]
        bent = plan.bend[i] > 0.0
        if bent:
            _own(plan, i, e, step, own)
            for a in range(2):
                for b in range(2):
                    form[a, b] += own[a, b]
        whole = 1.0 / (form[0, 0] * form[1, 1] - form[0, 1] * form[1, 0])
        p, q, r = form[1, 1] * whole, -form[0, 1] * whole, form[0, 0] * whole
        plan.inverse[i, 0], plan.inverse[i, 1], plan.inverse[i, 2] = p, q, r
        for k in range(3):
            plan.lean[i, k, 0], plan.lean[i, k, 1] = lean[k, 0], lean[k, 1]
            gain[k, 0] = lean[k, 0] * p + lean[k, 1] * q
            gain[k, 1] = lean[k, 0] * q + lean[k, 1] * r
        for k in range(3):
            for m in range(3):
                inner[k, m] -= gain[k, 0] * lean[m, 0] + gain[k, 1] * lean[m, 1]
            inner[k, k] += aa + 2 * ab
        carry[:] = 0.0
        extra[:] = 0.0
        if bent and i > 0:
            _pass_on(plan, i, step, gain, carry, extra)
    if setup.free:
        plan.root[:] = np.linalg.inv(inner)


@compiled(error_model="numpy")
def _pass_on(plan: Plan, i: int, step: float, gain: Array, carry: Array, extra: Array) -> None:
    """Joint i's share for the link before it, once link i is eliminated."""
    e, before, link = plan.frame[i], plan.frame[i - 1], plan.link[i]
    _across(plan, i, e, before, step, link)
    stiff = step * step * plan.bend[i]
    for a in range(2):
        for b in range(2):
            dot = e[a, 0] * before[b, 0] + e[a, 1] * before[b, 1] + e[a, 2] * before[b, 2]
            link[a, b] = -link[a, b] - stiff * dot
    _own(plan, i, before, step, extra)
    p, q, r = plan.inverse[i, 0], plan.inverse[i, 1], plan.inverse[i, 2]
    for b in range(2):
        x = p * link[0, b] + q * link[1, b]
        y = q * link[0, b] + r * link[1, b]
        for a in range(2):
            extra[a, b] -= link[0, a] * x + link[1, a] * y
        for k in range(3):
            carry[k, b] = -(gain[k, 0] * link[0, b] + gain[k, 1] * link[1, b])


@compiled(error_model="numpy")
def solve(setup: Setup, plan: Plan, right: Array, base: Array, end: Array, out: Array) -> None:
    """Fill out (M, 2), the link rates, from right (M, 2), a force on the base and on the end.

    base (3,) is overwritten with the base's own rate, 0 where it is driven.

    Rates in [1/s], their right sides in [N m s]; base and end are impulses [N s].
    """
    body, first = setup.body, setup.first
    free = setup.last - first
    work = plan.work
    px, py, pz = end[0], end[1], end[2]
    g0, g1 = 0.0, 0.0
    for i in range(free - 1, -1, -1):
        e, length = plan.frame[i], body.length[first + i]
        s0 = right[i, 0] + g0 + length * (e[0, 0] * px + e[0, 1] * py + e[0, 2] * pz)
        s1 = right[i, 1] + g1 + length * (e[1, 0] * px + e[1, 1] * py + e[1, 2] * pz)
        p, q, r = plan.inverse[i, 0], plan.inverse[i, 1], plan.inverse[i, 2]
        y0, y1 = p * s0 + q * s1, q * s0 + r * s1
        work[i, 0], work[i, 1] = s0, s1
        c = plan.lean[i]
        px -= c[0, 0] * y0 + c[0, 1] * y1
        py -= c[1, 0] * y0 + c[1, 1] * y1
        pz -= c[2, 0] * y0 + c[2, 1] * y1
        g0, g1 = 0.0, 0.0
        if i > 0 and plan.bend[i] > 0.0:
            x = plan.link[i]
            g0 = -(x[0, 0] * y0 + x[1, 0] * y1)
            g1 = -(x[0, 1] * y0 + x[1, 1] * y1)
    ax, ay, az = 0.0, 0.0, 0.0
    if setup.free:
        px, py, pz = px + base[0], py + base[1], pz + base[2]
        ax = plan.root[0, 0] * px + plan.root[0, 1] * py + plan.root[0, 2] * pz
        ay = plan.root[1, 0] * px + plan.root[1, 1] * py + plan.root[1, 2] * pz
        az = plan.root[2, 0] * px + plan.root[2, 1] * py + plan.root[2, 2] * pz
    base[0], base[1], base[2] = ax, ay, az
    z0, z1 = 0.0, 0.0
    for i in range(free):
        e, c, length = plan.frame[i], plan.lean[i], body.length[first + i]
        s0 = work[i, 0] - (c[0, 0] * ax + c[1, 0] * ay + c[2, 0] * az)
        s1 = work[i, 1] - (c[0, 1] * ax + c[1, 1] * ay + c[2, 1] * az)
        if i > 0 and plan.bend[i] > 0.0:
            x = plan.link[i]
            s0 -= x[0, 0] * z0 + x[0, 1] * z1
            s1 -= x[1, 0] * z0 + x[1, 1] * z1
        p, q, r = plan.inverse[i, 0], plan.inverse[i, 1], plan.inverse[i, 2]
        z0, z1 = p * s0 + q * s1, q * s0 + r * s1
        out[i, 0], out[i, 1] = z0, z1
        ax += length * (e[0, 0] * z0 + e[1, 0] * z1)
        ay += length * (e[0, 1] * z0 + e[1, 1] * z1)
        az += length * (e[0, 2] * z0 + e[1, 2] * z1)


@compiled(error_model="numpy")
def reach(setup: Setup, plan: Plan, rates: Array) -> Array:
    """(3,) [m/s] of the far end of the free links, from link rates (M, 2) and a resting base."""
    out = np.zeros(3)
    for i in range(rates.shape[0]):
        for k in range(3):
            out[k] += setup.body.length[setup.first + i] * (
                plan.frame[i, 0, k] * rates[i, 0] + plan.frame[i, 1, k] * rates[i, 1]
            )
    return out


@compiled(error_model="numpy")
def pin(setup: Setup, plan: Plan) -> None:
    """After `factor`: prepare to keep a held far end where it is."""
    free = setup.last - setup.first
    none, rates, base = np.zeros((free, 2)), np.zeros((free, 2)), np.zeros(3)
    reply = np.empty((3, 3))
    for k in range(3):
        unit = np.zeros(3)
        unit[k] = 1.0
        base[:] = 0.0
        solve(setup, plan, none, base, unit, rates)
        plan.tail[:, :, k] = rates
        reply[:, k] = reach(setup, plan, rates) + base
    plan.grip[:] = np.linalg.inv(reply)
