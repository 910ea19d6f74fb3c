"""The law of drag, bending and weight as docs/methods.md states it, in plain numpy.

Numbers are typed here, not imported: a change of the package's must show. Everything is slow,
short, and written by angles and vectors, not as the package writes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from lashwave.quantities.arrays import Array

# ratio of a cylinder's drag to that at low speed: a monotone cubic through these, level at Mach 0
MACH = [0.0, 0.3, 0.5, 0.8, 0.95, 1.0, 1.2, 1.5, 2.0, 2.9]
RISE = [1.0, 1.05, 1.12, 1.38, 1.68, 1.75, 1.47, 1.32, 1.20, 1.12]
_slope = PchipInterpolator(MACH, RISE).derivative()(MACH)
_slope[0] = 0.0
_rise = CubicHermiteSpline(MACH, RISE, _slope)


@dataclass(frozen=True)
class Forces:
    """What acts on the nodes of a chain of straight links; each force (N + 1, 3) [N]."""

    across: Array
    along: Array
    markers: Array
    tuft: Array
    weight: Array
    elastic: Array
    friction: Array
    energy: float
    """[J] stored in bending."""
    stored: float
    """[W] that bending takes in."""
    lost: float
    """[W] lost by its friction."""
    twist: Array
    """(3,) [N m], torque of friction on the line: what twist hands on to the grip."""

    @property
    def drag(self) -> Array:
        return self.across + self.along + self.markers + self.tuft


def drag_of_link(t: Array, v: Array, length: float, d: float, air: tuple, scale: tuple) -> tuple:  # type: ignore[type-arg]
    """Across and along (3,) [N]; air: density, viscosity, sound speed; scale: across, along."""
    rho, mu, sound = air
    vt = (v @ t) * t
    vn = v - vt
    across, along = np.linalg.norm(vn), np.linalg.norm(vt)
    re_n, re_t = max(rho * across * d / mu, 0.01), max(rho * along * d / mu, 1.0)
    cn = (1.0 + 10.0 * re_n ** (-2.0 / 3.0)) * float(_rise(min(across / sound, 2.9)))
    ct = 0.37 * re_t**-0.61
    pressure = 0.5 * rho * length * d
    return (
        -pressure * scale[0] * cn * across * vn,
        -pressure * np.pi * scale[1] * ct * along * vt,
    )


def couple(s: Array, t: Array, u: Array, w: Array) -> tuple:  # type: ignore[type-arg]
    """Of a joint of unit stiffness: angle, its rate, elastic and viscous pulls (3,) on t's end.

    u, w: rates of s and t. The pulls are forces at unit distance on the link along t; on the one
    along s minus their like, across it.
    """
    phi = float(np.arctan2(np.linalg.norm(np.cross(s, t)), s @ t))
    toward = (t - s) / np.linalg.norm(t - s)
    tangent = (s + t) / np.linalg.norm(s + t)
    opening = w - u
    rate = float(toward @ opening) / np.cos(0.5 * phi)
    # k phi about the binormal pushes t's end back by k phi across it: along t - s that is
    # k phi / cos(phi / 2), whose part across t is k phi
    elastic = -phi / np.cos(0.5 * phi) * toward
    # friction knows the bend's direction by how far it is over 0.15 rad, as the length of t - s
    size = 4.0 * np.sin(0.5 * phi) ** 2
    along = (toward @ opening) * toward
    any_way = opening - (opening @ tangent) * tangent
    viscous = (size * along + 0.15**2 * any_way) / (size + 0.15**2) / np.cos(0.5 * phi) ** 2
    return phi, rate, elastic, -viscous


def forces(  # type: ignore[no-untyped-def]
    x, v, length, bend, diameter, marker_area, tuft_area, node_mass, gravity, air, law, factor
) -> Forces:
    """Everything at nodes x (N + 1, 3) that move with v; law: the five scales, tau [s] the last;
    factor (N,): of each link's drag across, beside its scale."""
    t = np.diff(x, axis=0) / length[:, None]
    w = np.diff(v, axis=0) / length[:, None]
    links = length.size
    f = {name: np.zeros_like(x) for name in ("across", "along", "elastic", "friction")}
    for j in range(links):
        middle = 0.5 * (v[j] + v[j + 1])
        both = drag_of_link(t[j], middle, length[j], diameter[j], air, (law[0] * factor[j], law[1]))
        for name, force in zip(("across", "along"), both, strict=True):
            f[name][j] += 0.5 * force
            f[name][j + 1] += 0.5 * force
    energy = stored = lost = 0.0
    twist = np.zeros(3)
    for j in range(1, links):
        k = law[3] * bend[j]
        phi, rate, elastic, viscous = couple(t[j - 1], t[j], w[j - 1], w[j])
        energy += 0.5 * k * phi**2
        stored += k * phi * rate
        lost -= k * law[4] * float(viscous @ (w[j] - w[j - 1]))
        twist += k * law[4] * np.cross(t[j] - t[j - 1], viscous)
        for name, pull in (("elastic", k * elastic), ("friction", k * law[4] * viscous)):
            for link, sign in ((j - 1, -1.0), (j, 1.0)):
                p = sign * (pull - (pull @ t[link]) * t[link]) / length[link]
                f[name][link + 1] += p
                f[name][link] -= p
    speed = np.linalg.norm(v, axis=1, keepdims=True)
    tuft = np.zeros_like(x)
    tuft[-1] = -0.5 * air[0] * law[2] * tuft_area * speed[-1] * v[-1]
    return Forces(
        markers=-0.5 * air[0] * np.asarray(marker_area)[:, None] * speed * v,
        tuft=tuft,
        weight=node_mass[:, None] * gravity,
        energy=energy,
        stored=stored,
        lost=lost,
        twist=twist,
        **f,
    )
