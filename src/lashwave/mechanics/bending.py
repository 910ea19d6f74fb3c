"""Bending of a joint between two straight links: one law for all that compute with it.

A joint stores k/2 phi^2 and resists with the couple k (phi + tau dphi/dt), phi the angle between
its links, k the bending stiffness over the joint's span (Bergou and others, ACM Trans. Graph. 27
(2008) 63, with the angle for their 2 tan(phi/2): of a shape that is given, the angle has energy
and couple nearest to the true ones; `benchmarks/bending.py`, docs/methods.md). Everything is
written in q = |t - s|^2 / 4 = sin^2(phi/2), s and t the directions before and after the joint, and
so needs no inverse function of a nearly straight joint.

Friction acts on the rate of the angle alone: turning a bent pair as a whole costs nothing, about
its tangent too. Where a line's end is free and moves fast, that is what its material does: to turn
about its own axis with the bend takes next to no inertia (docs/methods.md). A joint straighter
than `SOFT`, whose bend has no direction, is rubbed in every direction across its tangent.

Beyond `SHARPEST` the couple grows no further, and falls to nothing where the line is folded flat.
"""

from __future__ import annotations

import math

import numpy as np

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.lanes import every, least, pick
from lashwave.quantities import Array

Triple = Array | tuple[float, float, float]
"""Three components, of a direction or of its rate."""

SHARPEST = 2.4
"""[rad]; a joint's couple grows no further. No grid in use follows such a bend."""

SOFT = 0.15
"""[rad], the bend under which friction does not ask for its direction.

As small as 0.01 rad, fits of throws of an independent engine trembled where nothing is seen:
joints that turn about their tangent were not rubbed at all, and the law was not smooth where a
joint passes through straight. At 0.15 rad they are as calm as under friction of every rate.
"""

_MOST = float(np.sin(0.5 * SHARPEST) ** 2)
_FLAT = 1e-3
_TERMS = 15
_COUPLE = np.cumprod([1.0, *(2 * n / (2 * n + 1) for n in range(1, _TERMS + 1))])
"""phi / sin(phi) in powers of q, by its differential equation 2 q (1 - q) f' + (1 - 2 q) f = 1."""


@compiled(error_model="numpy")
def couple_ratio(q: float) -> tuple[float, float]:
    """phi / sin(phi), and its derivative by q; constant beyond `SHARPEST`.

    The couple over k is that times t - s, taken across a link. The energy's derivative by q is
    2 k times it.
    """
    c = _COUPLE
    near = c[0] + q * (c[1] + q * (c[2] + q * (c[3] + q * (c[4] + q * c[5]))))
    grade = c[1] + q * (
        2.0 * c[2] + q * (3.0 * c[3] + q * (4.0 * c[4] + q * (5.0 * c[5] + q * 6.0 * c[6])))
    )
    if every(q < _FLAT):
        return near, grade
    x = least(q, _MOST)
    # Twice halved, the angle is small enough for the series at any bend.
    half = math.sqrt(1.0 - x)
    quarter = math.sqrt(0.5 + 0.5 * half)
    y = 0.5 - 0.5 * quarter
    far = c[_TERMS - 1] + y * c[_TERMS]
    for n in range(2, _TERMS + 1):
        far = c[_TERMS - n] + y * far
    ratio = far / (half * quarter)
    slope = (1.0 - (1.0 - 2.0 * x) * ratio) / (2.0 * x * (1.0 - x))
    return ratio, pick(q < _FLAT, grade, pick(q < _MOST, slope, 0.0))


@compiled(error_model="numpy")
def bend_energy(q: float) -> float:
    """Energy over k [1]: phi^2 / 2, and beyond `SHARPEST` what its couple there adds."""
    x = min(q, _MOST)
    return 2.0 * np.arcsin(np.sqrt(x)) ** 2 + 2.0 * couple_ratio(_MOST)[0] * (q - x)


@compiled(error_model="numpy")
def friction_ratio(q: float) -> tuple[float, float]:
    """g = 1 / cos^2(phi/2), and its derivative by q; constant beyond `SHARPEST`.

    With d = t - s, r its rate, m = s + t of length 2 / sqrt(g) and e = `SOFT`, friction over k tau
    is g (d (d.r) + e^2 (r - g/4 (m.r) m)) / (d.d + e^2): in a plane dphi/dt.
    """
    ratio = 1.0 / (1.0 - least(q, _MOST))
    return ratio, pick(q < _MOST, ratio * ratio, 0.0)


@compiled(error_model="numpy")
def sharpness(s: Triple, t: Triple) -> float:
    """q = sin^2(phi/2) of the directions s and t (3,) before and after a joint."""
    x, y, z = t[0] - s[0], t[1] - s[1], t[2] - s[2]
    return 0.25 * (x * x + y * y + z * z)


@compiled(error_model="numpy")
def joint(
    stiffness: float, damping: float, s: Triple, t: Triple, u: Triple, w: Triple
) -> tuple[float, float, float, float, float]:
    """Force-like torque (x, y, z) [N m] on direction t, minus it on the direction s before it.

    u and w are the rates of s and t [1/s]; damping is tau [s]. Each of the four is a tuple or an
    array of three; tuples are several times as fast. Only the part of the torque across a link acts
    on it. Returns x, y, z, and the power stored and lost [W].
    """
    q = sharpness(s, t)
    elastic = stiffness * couple_ratio(q)[0]
    share = friction_ratio(q)[0]
    viscous = stiffness * damping * share / (4.0 * q + SOFT * SOFT)
    dx, dy, dz = t[0] - s[0], t[1] - s[1], t[2] - s[2]
    mx, my, mz = t[0] + s[0], t[1] + s[1], t[2] + s[2]
    rx, ry, rz = w[0] - u[0], w[1] - u[1], w[2] - u[2]
    along = dx * rx + dy * ry + dz * rz
    slip = 0.25 * share * (mx * rx + my * ry + mz * rz)
    soft = SOFT * SOFT
    fx = dx * along + soft * (rx - slip * mx)
    fy = dy * along + soft * (ry - slip * my)
    fz = dz * along + soft * (rz - slip * mz)
    stored = elastic * along
    lost = viscous * (fx * rx + fy * ry + fz * rz)
    return (
        -elastic * dx - viscous * fx,
        -elastic * dy - viscous * fy,
        -elastic * dz - viscous * fz,
        stored,
        lost,
    )


@compiled(error_model="numpy")
def at(array: Array, j: int) -> tuple[float, float, float]:
    """Row j of an array (M, 3) as a tuple, as `joint` likes it [1 or 1/s]."""
    return array[j, 0], array[j, 1], array[j, 2]
