"""Compiled kernels of `engine`: forces, the stand-in stiffness, its factor, one step.

Arrays (node, xyz), SI. Written apart from `lashwave.mechanics` on purpose; see `engine`.
"""

from __future__ import annotations

import numba as nb
import numpy as np

GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
BAND = 6  # half bandwidth: nodes two apart couple in the same coordinate only


@nb.njit(cache=True)
def _add_bending(x, v, rest, bend, tau, force):  # type: ignore[no-untyped-def]
    """Elastic and viscous bending forces, added to `force` (N + 1, 3)."""
    t1, t2, u1, u2 = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for j in range(1, x.shape[0] - 1):
        if bend[j] == 0.0:
            continue
        n1 = n2 = 0.0
        for c in range(3):
            t1[c], t2[c] = x[j, c] - x[j - 1, c], x[j + 1, c] - x[j, c]
            n1 += t1[c] * t1[c]
            n2 += t2[c] * t2[c]
        n1, n2 = np.sqrt(n1), np.sqrt(n2)
        cos = s1 = s2 = 0.0
        for c in range(3):
            t1[c] /= n1
            t2[c] /= n2
            u1[c], u2[c] = (v[j, c] - v[j - 1, c]) / n1, (v[j + 1, c] - v[j, c]) / n2
            cos += t1[c] * t2[c]
            s1 += u1[c] * t1[c]
            s2 += u2[c] * t2[c]
        w1 = w2 = 0.0
        for c in range(3):
            u1[c] -= s1 * t1[c]
            u2[c] -= s2 * t2[c]
            w1 += u1[c] * (t2[c] - t1[c])
            w2 += u2[c] * (t2[c] - t1[c])
        slope = -4.0 * bend[j] / max((1.0 + cos) ** 2, 1e-3)
        half = 0.5 * (1.0 + cos)
        d1 = d2 = 0.0  # the rate's shares along the two links
        for c in range(3):
            rate = half * (u2[c] - u1[c]) + 0.5 * (t1[c] * w1 + t2[c] * w2)
            d1 += rate * t1[c]
            d2 += rate * t2[c]
        g1 = g2 = 0.0
        for c in range(3):
            rate = half * (u2[c] - u1[c]) + 0.5 * (t1[c] * w1 + t2[c] * w2)
            turn = t2[c] - t1[c]
            u1[c] = slope * t2[c] + tau * bend[j] * (-half * rate + 0.5 * turn * d1)
            u2[c] = slope * t1[c] + tau * bend[j] * (half * rate + 0.5 * turn * d2)
            g1 += u1[c] * t1[c]
            g2 += u2[c] * t2[c]
        for c in range(3):
            f1, f2 = (u1[c] - g1 * t1[c]) / n1, (u2[c] - g2 * t2[c]) / n2
            force[j - 1, c] += f1
            force[j, c] += f2 - f1
            force[j + 1, c] -= f2


@nb.njit(cache=True)
def forces(x, v, rest, mass, ea, bend, tau, air, size, bluff, drag, alpha, force, tension):  # type: ignore[no-untyped-def]
    """All forces on the nodes. air: density, sound speed, gravity; drag: cylinder, skin."""
    nodes = x.shape[0]
    for i in range(nodes):
        for c in range(3):
            force[i, c] = mass[i] * (air[2 + c] - alpha * v[i, c])
    t = np.empty(3)
    for i in range(nodes - 1):
        n = 0.0
        for c in range(3):
            t[c] = x[i + 1, c] - x[i, c]
            n += t[c] * t[c]
        n = np.sqrt(n)
        tension[i] = ea[i] * (n / rest[i] - 1.0)
        for c in range(3):
            pull = tension[i] * t[c] / n
            force[i, c] += pull
            force[i + 1, c] -= pull
    _add_bending(x, v, rest, bend, tau, force)
    for i in range(nodes):
        a, b = max(i - 1, 0), min(i + 1, nodes - 1)
        span = 0.0
        if i > 0:
            span += 0.5 * rest[i - 1]
        if i < nodes - 1:
            span += 0.5 * rest[i]
        n = along = total = 0.0
        for c in range(3):
            t[c] = x[b, c] - x[a, c]
            n += t[c] * t[c]
        n = np.sqrt(n)
        for c in range(3):
            t[c] /= n
            along += v[i, c] * t[c]
            total += v[i, c] * v[i, c]
        normal = np.sqrt(max(total - along * along, 0.0))
        mach = normal / air[1]
        rise = 1.0 + 0.9 * np.exp(-(((mach - 1.05) / 0.28) ** 2)) + 0.12 * np.tanh(2.0 * mach)
        across = 0.5 * air[0] * size[i] * span * drag[0] * rise * normal
        skin = 0.5 * air[0] * np.pi * size[i] * span * drag[1] * abs(along)
        blunt = 0.5 * air[0] * bluff[i] * np.sqrt(total)
        for c in range(3):
            force[i, c] -= across * (v[i, c] - along * t[c]) + skin * along * t[c]
            force[i, c] -= blunt * v[i, c]


@nb.njit(cache=True)
def _stiff_product(x, rest, ea, tension, bend, y, share, out):  # type: ignore[no-untyped-def]
    """Stand-in stiffness matrix times y (N + 1, 3). share: weights of axial and of bending part."""
    nodes = x.shape[0]
    out[:] = 0.0
    t, d = np.empty(3), np.empty(3)
    for i in range(nodes - 1):
        n = dot = 0.0
        for c in range(3):
            t[c] = x[i + 1, c] - x[i, c]
            d[c] = y[i + 1, c] - y[i, c]
            n += t[c] * t[c]
        for c in range(3):
            t[c] /= np.sqrt(n)
            dot += t[c] * d[c]
        side = max(tension[i], 0.0) / rest[i]
        for c in range(3):
            pull = share[0] * (side * d[c] + (ea[i] / rest[i] - side) * dot * t[c])
            out[i, c] -= pull
            out[i + 1, c] += pull
    for j in range(1, nodes - 1):
        for c in range(3):
            q = (y[j + 1, c] - y[j, c]) / rest[j] - (y[j, c] - y[j - 1, c]) / rest[j - 1]
            q *= share[1] * bend[j]
            out[j - 1, c] += q / rest[j - 1]
            out[j, c] -= q / rest[j - 1] + q / rest[j]
            out[j + 1, c] += q / rest[j]


@nb.njit(cache=True)
def _factor(x, rest, mass, ea, tension, bend, soft, friction, first, last, low):  # type: ignore[no-untyped-def]
    """Cholesky factor, in place in `low` (3F, BAND + 1), of M + soft K_axial + friction K_bend."""
    low[:] = 0.0
    t = np.empty(3)
    for i in range(first, last + 1):
        for c in range(3):
            low[3 * (i - first) + c, BAND] = mass[i]
    for i in range(first - 1, last + 1):
        if i < 0 or i > x.shape[0] - 2:
            continue
        n = 0.0
        for c in range(3):
            t[c] = x[i + 1, c] - x[i, c]
            n += t[c] * t[c]
        side = soft * max(tension[i], 0.0) / rest[i]
        core = (soft * ea[i] / rest[i] - side) / n
        for a in range(3):
            for b in range(3):
                entry = core * t[a] * t[b] + (side if a == b else 0.0)
                p, q = 3 * (i - first) + a, 3 * (i - first) + b
                if b <= a and i >= first:
                    low[p, BAND - a + b] += entry
                if b <= a and i + 1 <= last:
                    low[p + 3, BAND - a + b] += entry
                if i >= first and i + 1 <= last:
                    low[p + 3, BAND + q - p - 3] -= entry
    for j in range(1, x.shape[0] - 1):
        w1, w3 = 1.0 / rest[j - 1], 1.0 / rest[j]
        weight = np.array([w1, -w1 - w3, w3])
        for a in range(3):
            for b in range(a + 1):
                i, k = j - 1 + a, j - 1 + b
                if k < first or i > last:
                    continue
                for c in range(3):
                    row = 3 * (i - first) + c
                    low[row, BAND - 3 * (a - b)] += friction * bend[j] * weight[a] * weight[b]
    for i in range(low.shape[0]):
        start = max(0, i - BAND)
        for k in range(start, i + 1):
            total = low[i, BAND + k - i]
            for m in range(max(start, k - BAND), k):
                total -= low[i, BAND + m - i] * low[k, BAND + m - k]
            if k == i:
                if total <= 0.0:
                    return False
                low[i, BAND] = np.sqrt(total)
            else:
                low[i, BAND + k - i] = total / low[k, BAND]
    return True


@nb.njit(cache=True)
def _solve(low, y):  # type: ignore[no-untyped-def]
    """Solve with the factor of `_factor`, in place in y (3F,)."""
    size = y.size
    for i in range(size):
        for k in range(max(0, i - BAND), i):
            y[i] -= low[i, BAND + k - i] * y[k]
        y[i] /= low[i, BAND]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, min(size, i + BAND + 1)):
            y[i] -= low[k, BAND + i - k] * y[k]
        y[i] /= low[i, BAND]


@nb.njit(cache=True)
def _stage(low, first, last, mass, force, rx, drive, h, x, rest, ea, tension, bend, tau):  # type: ignore[no-untyped-def]
    """One stage of ROS2: rates of place and speed for force `force` and place rate `rx`.

    drive : (N + 1, 3), acceleration of the driven nodes. h : GAMMA times the step.
    """
    kv = drive.copy()
    kx = rx.copy()
    known = drive.copy()
    for i in range(x.shape[0]):
        for c in range(3):
            if first <= i <= last:
                known[i, c] = 0.0
            else:
                kx[i, c] = rx[i, c] + h * drive[i, c]
    pull, rub = np.empty_like(x), np.empty_like(x)
    _stiff_product(x, rest, ea, tension, bend, kx, np.array([1.0, 1.0]), pull)
    _stiff_product(x, rest, ea, tension, bend, known, np.array([0.0, tau]), rub)
    y = np.empty(3 * (last - first + 1))
    for i in range(first, last + 1):
        for c in range(3):
            y[3 * (i - first) + c] = force[i, c] - h * (pull[i, c] + rub[i, c])
    _solve(low, y)
    for i in range(first, last + 1):
        for c in range(3):
            kv[i, c] = y[3 * (i - first) + c]
            kx[i, c] = rx[i, c] + h * kv[i, c]
    return kx, kv


@nb.njit(cache=True)
def step(x, v, dt, p0, p1, first, last, rest, mass, ea, bend, tau, air, size, bluff, drag, alpha):  # type: ignore[no-untyped-def]
    """One ROS2 step; p0, p1 (3, D, 3): place, speed, acceleration of driven nodes, before, after.

    Returns new place and speed, and the size of the embedded first-order error in speed [m/s].
    """
    nodes = x.shape[0]
    force, tension = np.empty_like(x), np.empty(nodes - 1)
    low = np.empty((3 * (last - first + 1), BAND + 1))
    h = GAMMA * dt
    drive = np.zeros_like(x)
    driven = 0
    for i in range(nodes):
        if i < first or i > last:
            drive[i] = p0[2, driven]
            driven += 1
    forces(x, v, rest, mass, ea, bend, tau, air, size, bluff, drag, alpha, force, tension)
    if not _factor(x, rest, mass, ea, tension, bend, h * h, h * tau + h * h, first, last, low):
        return x, v, 1e9
    kx1, kv1 = _stage(low, first, last, mass, force, v, drive, h, x, rest, ea, tension, bend, tau)
    x1, v1 = x + dt * kx1, v + dt * kv1
    driven = 0
    for i in range(nodes):
        if i < first or i > last:
            x1[i], v1[i] = p1[0, driven], p1[1, driven]
            drive[i] = p1[2, driven] - 2.0 * p0[2, driven]
            driven += 1
    later = np.empty(nodes - 1)
    forces(x1, v1, rest, mass, ea, bend, tau, air, size, bluff, drag, alpha, force, later)
    for i in range(first, last + 1):
        for c in range(3):
            force[i, c] -= 2.0 * mass[i] * kv1[i, c]
    rx = v1 - 2.0 * kx1
    kx2, kv2 = _stage(low, first, last, mass, force, rx, drive, h, x, rest, ea, tension, bend, tau)
    xn, vn = x + dt * (1.5 * kx1 + 0.5 * kx2), v + dt * (1.5 * kv1 + 0.5 * kv2)
    error = 0.0
    for i in range(first, last + 1):
        for c in range(3):
            error = max(error, 0.5 * dt * abs(kv1[i, c] + kv2[i, c]))
    driven = 0
    for i in range(nodes):
        if i < first or i > last:
            xn[i], vn[i] = p1[0, driven], p1[1, driven]
            driven += 1
    return xn, vn, error
