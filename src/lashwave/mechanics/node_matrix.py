"""Friction and bending of a nearly straight line as one narrow matrix, so that a step may be long.

Taken explicitly, the friction of short links allows steps of some 10 us only. The matrix is that
of a straight line, alike in all directions and constant; what it leaves out is explicit.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.rates import Setup
from lashwave.quantities import Array

STRAIGHTER = 1.5
"""Friction of a joint over that of a straight one, as the implicit part takes it, at any bend."""


def bending_matrix(setup: Setup) -> Array:
    """Lower diagonals (N + 1, 3) of the matrix K [N/m] by which small bends pull on the nodes."""
    body, links = setup.body, setup.body.length.size
    band = np.zeros((links + 1, 3))
    for j in range(links + 1):
        clamp = j == 0 and (setup.free or setup.first > 0)
        loose = j == links and not (setup.held and setup.last == links)
        if clamp or loose or body.bend[j] == 0.0:
            continue
        rear = 1.0 / body.length[j - 1] if j > 0 else 0.0
        fore = 1.0 / body.length[j] if j < links else 0.0
        parts = ((j - 1, rear), (j, -rear - fore), (j + 1, fore))
        for m, one in parts:
            for n, other in parts:
                if m <= n and m >= 0 and n <= links:
                    band[m, n - m] += body.bend[j] * one * other
    return band


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def stiffened(
    matrix: Array,
    mass: Array,
    damping: float,
    a: Array,
    before: float,
    step: float,
    low: int,
    high: int,
    band: Array,
    f: Array,
) -> None:
    """Fill band (N + 1, 3) with the nodes' mass and what friction and bending add to it.

    With a span H = (before + step) / 2 from half step to half step, friction C and stiffness K:
    M + H C / 2 + H step K / 4, as if friction saw the mean of the half steps' velocities and
    bending the mean of three places (Newmark's rule). f gets C a before / 2, the difference that
    the velocity extrapolated with the last acceleration a made; the rest is second order. Both are
    taken as of a straight line, alike in all directions: one narrow, constant matrix.

    mass : (N + 1,) [kg]. a, f : (N + 1, 3) [m/s2, N]. matrix : of `bending_matrix` [N/m].
    """
    span, rub = 0.5 * (before + step), STRAIGHTER * damping
    share, back = span * (0.5 * rub + 0.25 * step), 0.5 * before * rub
    for i in range(low, high):
        band[i, 0] = mass[i] + share * matrix[i, 0]
        band[i, 1] = share * matrix[i, 1]
        band[i, 2] = share * matrix[i, 2]
    for i in range(low + 2, high - 2):
        m, near, next_ = matrix[i, 0], matrix[i - 1, 1], matrix[i, 1]
        far, beyond = matrix[i - 2, 2], matrix[i, 2]
        for k in range(3):
            sides = near * a[i - 1, k] + next_ * a[i + 1, k]
            sides += far * a[i - 2, k] + beyond * a[i + 2, k]
            f[i, k] += back * (m * a[i, k] + sides)
    # A driven node's acceleration is known, so its column stands on the right side too.
    for i in range(low, high):
        if low + 2 <= i < high - 2:
            continue
        for j in range(max(i - 2, 0), min(i + 3, mass.size)):
            known = back if low <= j < high else back - share
            known *= matrix[min(i, j), abs(i - j)]
            for k in range(3):
                f[i, k] += known * a[j, k]


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def solve(band: Array, low: int, high: int, u: Array) -> None:
    """Solve the five-diagonal system of nodes low .. high - 1 for u (N + 1, 3), in place.

    band : (N + 1, 3), as `stiffened` leaves it [kg]; u holds forces [N], then m/s2.
    """
    for i in range(low, high):
        over = 1.0 / band[i, 0]
        one, two = band[i, 1] * over, band[i, 2] * over
        if i + 1 < high:
            band[i + 1, 0] -= one * band[i, 1]
            band[i + 1, 1] -= one * band[i, 2]
            for k in range(3):
                u[i + 1, k] -= one * u[i, k]
        if i + 2 < high:
            band[i + 2, 0] -= two * band[i, 2]
            for k in range(3):
                u[i + 2, k] -= two * u[i, k]
        band[i, 0], band[i, 1], band[i, 2] = over, one, two
    for i in range(high - 1, low - 1, -1):
        for k in range(3):
            value = u[i, k] * band[i, 0]
            if i + 1 < high:
                value -= band[i, 1] * u[i + 1, k]
            if i + 2 < high:
                value -= band[i, 2] * u[i + 2, k]
            u[i, k] = value
