"""A second simulator of a thrown line, for blind trials; no code of `lashwave.mechanics` in it.

Where the project's own model is a chain of rigid links solved by recursion, this one is a row of
point masses on stiff springs, advanced by a linearly implicit step. What differs on purpose:

- stretch is allowed (a stiff spring a link), not eliminated;
- bending energy 2 (B / h) tan^2(a / 2) of the angle a between neighbours (the discrete curvature
  of Bergou et al., ACM Trans. Graph. 27, 2008), not the squared difference of directions;
- internal friction acts on the rate of the tangents' difference seen from a frame that turns with
  the mean of the two links, out of plane too;
- air drag sits at the nodes, with a constant cylinder coefficient (1.1, the middle of the
  1.0 to 1.2 of handbooks for 1e3 < Re < 1e5) and a smooth rise to about 1.9 times at Mach 1
  (Gowen and Perkins, NACA TN 2960, 1953, give 2.1 / 1.2 = 1.75 there), and a constant skin
  friction;
- masses are lumped.

The step is ROS2 (Verwer, Spee, Blom and Hundsdorfer, SIAM J. Sci. Comput. 20, 1999, 1456):
L-stable, and of second order whatever matrix stands for the Jacobian, so a symmetric positive one
(axial springs, tension, bending with its friction) is enough and Cholesky factors it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numba as nb
import numpy as np
from engine_kernels import forces, step
from scipy.interpolate import CubicSpline

from lashwave.quantities.arrays import Array


@dataclass(frozen=True)
class Specimen:
    """A line as point masses and springs, N links."""

    station: Array
    """(N + 1,) [m]"""
    mass: Array
    """(N + 1,) [kg]"""
    stretch: Array
    """(N,) [N], axial stiffness EA of each link."""
    bend: Array
    """(N + 1,) [N m], bending stiffness over span of the joint at each node; 0 at both ends."""
    diameter: Array
    """(N + 1,) [m], for the drag at the nodes."""
    bluff: Array
    """(N + 1,) [m2], drag coefficient times area of markers and tuft."""
    first: int
    """Nodes before this one are driven."""
    last: int
    """Nodes after this one are driven."""
    cylinder_drag: float = 1.1
    skin_friction: float = 0.008
    friction_time: float = 2e-4
    """Internal friction over bending stiffness [s]."""


@dataclass(frozen=True)
class Surroundings:
    """Air and gravity."""

    density: float = 1.2
    sound_speed: float = 343.5
    gravity: tuple[float, float, float] = (0.0, 0.0, -9.81)


@dataclass(frozen=True)
class Run:
    """What the engine returns at the requested times."""

    time: Array
    position: Array
    """(T, N + 1, 3) [m]"""
    velocity: Array
    acceleration: Array
    tension: Array
    """(T, N) [N]"""
    steps: int


@nb.njit(cache=True)
def _driven(knots, curve, t, out):  # type: ignore[no-untyped-def]
    """Place, speed, acceleration (3, D, 3) of the driven nodes from spline coefficients."""
    i = min(max(np.searchsorted(knots, t, side="right") - 1, 0), knots.size - 2)
    s = t - knots[i]
    for d in range(out.shape[1]):
        for c in range(3):
            a, b, e, f = curve[0, i, d, c], curve[1, i, d, c], curve[2, i, d, c], curve[3, i, d, c]
            out[0, d, c] = ((a * s + b) * s + e) * s + f
            out[1, d, c] = (3.0 * a * s + 2.0 * b) * s + e
            out[2, d, c] = 6.0 * a * s + 2.0 * b


@nb.njit(cache=True)
def _march(
    x, v, times, knots, curve, first, last, rest, mass, ea, bend, law, air, size, bluff, tol
):  # type: ignore[no-untyped-def]
    """Adaptive march through `times`. law: cylinder drag, skin, friction time, mass damping.

    tol: absolute [m/s] and relative bound of the embedded error of one step, longest step [s].
    """
    nodes = x.shape[0]
    place = np.empty((times.size, nodes, 3))
    speed = np.empty((times.size, nodes, 3))
    t, dt, steps = times[0], 1e-6, 0
    p0, p1 = np.empty((3, nodes - last + first - 1, 3)), np.empty((3, nodes - last + first - 1, 3))
    place[0], speed[0] = x, v
    drag = law[:2].copy()
    for k in range(1, times.size):
        while t < times[k] - 1e-12:
            h = min(dt, times[k] - t, tol[2])
            _driven(knots, curve, t, p0)
            _driven(knots, curve, t + h, p1)
            xn, vn, error = step(
                x, v, h, p0, p1, first, last, rest, mass, ea, bend, law[2], air, size, bluff,
                drag, law[3],
            )  # fmt: skip
            worst = error / (tol[0] + tol[1] * np.sqrt((v * v).sum(axis=1).max()))
            if worst <= 1.0 or h < 1e-9:
                x, v, t = xn, vn, t + h
                steps += 1
            grown = h * min(2.0, max(0.2, 0.85 / np.sqrt(worst + 1e-12)))
            # a step cut short by an output time says nothing against the step before it
            dt = max(grown, dt) if worst <= 1.0 and h < dt else grown
        place[k], speed[k] = x, v
    return place, speed, steps


def march(
    specimen: Specimen,
    around: Surroundings,
    driven: tuple[Array, Array],
    times: Array,
    start: Array,
    *,
    mass_damping: float = 0.0,
    tolerance: tuple[float, float] = (2e-3, 2e-4),
    longest: float = 2e-4,
) -> Run:
    """Motion from `start` (N + 1, 3) at rest.

    Parameters
    ----------
    driven : times (G,) [s] and places (G, D, 3) [m] of the driven nodes, in order; a cubic spline
        runs through them.
    times : (T,) [s], output times; the first is the start.
    mass_damping : [1/s], a drag proportional to mass, to settle a line.
    tolerance : absolute [m/s] and relative bound of the first-order error of one step.
    """
    spline = CubicSpline(driven[0], driven[1], axis=0)
    rest = np.diff(specimen.station)
    air = np.array([around.density, around.sound_speed, *around.gravity])
    law = np.array(
        [
            specimen.cylinder_drag,
            specimen.skin_friction,
            specimen.friction_time,
            mass_damping,
        ]
    )
    x, v = start.copy(), np.zeros_like(start)
    free = np.zeros(x.shape[0], dtype=bool)
    free[specimen.first : specimen.last + 1] = True
    x[~free], v[~free] = spline(times[0]), spline(times[0], 1)
    parts = (specimen.mass, specimen.stretch, specimen.bend)
    place, speed, steps = _march(
        x, v, times, spline.x, np.ascontiguousarray(spline.c), specimen.first, specimen.last,
        rest, *parts, law, air, specimen.diameter, specimen.bluff,
        np.array([*tolerance, longest]),
    )  # fmt: skip
    acceleration, tension = np.empty_like(place), np.empty((times.size, rest.size))
    for k in range(times.size):
        force = np.empty_like(start)
        forces(
            place[k], speed[k], rest, *parts, specimen.friction_time, air, specimen.diameter,
            specimen.bluff, law[:2].copy(), mass_damping, force, tension[k],
        )  # fmt: skip
        acceleration[k] = force / specimen.mass[:, None]
    acceleration[:, ~free] = spline(times, 2)
    return Run(times, place, speed, acceleration, tension, steps)


SETTLING = 5e-3
"""Internal friction over bending stiffness while a line settles [s]."""


def settle(specimen: Specimen, around: Surroundings, held: Array, seconds: float = 6.0) -> Array:
    """Shape (N + 1, 3) of the line at rest with its driven nodes at `held` (D, 3)."""
    start = np.empty((specimen.station.size, 3))
    inner = slice(specimen.first, specimen.last + 1)
    start[: specimen.first] = held[: specimen.first]
    start[specimen.last + 1 :] = held[specimen.first :]
    anchor, reach = start[specimen.first - 1], specimen.station[inner]
    reach = reach - specimen.station[specimen.first - 1]
    if specimen.last == specimen.station.size - 1:
        down = np.asarray(around.gravity) / np.linalg.norm(around.gravity)
        start[inner] = anchor + reach[:, None] * down
    else:
        share = reach / (specimen.station[specimen.last + 1] - specimen.station[specimen.first - 1])
        start[inner] = anchor + share[:, None] * (held[specimen.first] - anchor)
    knots = np.array([0.0, seconds / 2, seconds])
    damped = replace(specimen, friction_time=SETTLING)
    for damping in (20.0, 4.0):
        run = march(
            damped,
            around,
            (knots, np.repeat(held[None], 3, axis=0)),
            knots,
            start,
            mass_damping=damping,
            tolerance=(1e-2, 1e-2),
            longest=5e-3,
        )
        start = run.position[-1]
    return start
