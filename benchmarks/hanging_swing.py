"""How fast the small swing of a hanging line dies: by air, and by friction at its pivot.

The lowest mode of a uniform hanging chain is u = A phi(s) cos(w t), with
phi = J0(2 w sqrt(z / g)) of the height z over the free end and w = 1.202413 sqrt(g / L) (Bernoulli,
Euler). With M = integral of mu phi^2 ds its energy is E = M w^2 A^2 / 2. Whatever takes the mean
power P(A) shrinks the amplitude at the rate

    -(dA/dt) / A = P / (2 E) = P / (M w^2 A^2).

Drag of a constant coefficient takes P = 4 / (3 pi) (rho d C / 2) w^3 A^3 integral |phi|^3 ds, so
its rate is proportional to the amplitude: the swing dies ever more slowly, and no time constant
describes it. Here the coefficient depends on speed as in `mechanics.drag`, and the mean over a
cycle and over the line is taken by quadrature. Range: amplitude much smaller than the length.

Friction: a couple b (turning rate) at the pivot takes P = b (phi' w A)^2 / 2, a rate that does not
depend on the amplitude.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import j0, j1, jn_zeros

from lashwave.mechanics import Medium, normal_coefficient
from lashwave.quantities import Array


@dataclass(frozen=True)
class Hanging:
    """A uniform line that hangs from a pivot free to turn."""

    length: float
    """[m]"""
    mass: float
    """[kg]"""
    diameter: float
    """[m]"""
    gravity: float = 9.80665

    @property
    def rate(self) -> float:
        """Angular frequency of the lowest mode [rad/s]."""
        return float(0.5 * jn_zeros(0, 1)[0] * np.sqrt(self.gravity / self.length))

    @property
    def frequency(self) -> float:
        """Frequency of the lowest mode [Hz]."""
        return self.rate / (2 * np.pi)

    def shape(self, above: Array) -> Array:
        """Mode (...,) at heights over the free end [m]; 1 at the free end."""
        return np.asarray(j0(2 * self.rate * np.sqrt(above / self.gravity)))

    @property
    def modal_mass(self) -> float:
        """Integral of mass per length times the mode squared [kg]; m J1(j01)^2 in closed form."""
        return float(self.mass * j1(jn_zeros(0, 1)[0]) ** 2)

    @property
    def slope(self) -> float:
        """Size of the mode's slope at the pivot [1/m]."""
        root = jn_zeros(0, 1)[0]
        return float(0.5 * root * j1(root) / self.length)


def drag_rate(line: Hanging, medium: Medium, amplitude: float, points: int = 48) -> float:
    """Relative loss of amplitude in time by drag [1/s], at the free end's amplitude [m]."""
    x, w = np.polynomial.legendre.leggauss(points)
    above = 0.5 * line.length * (1 + x)
    phase = 0.25 * np.pi * (1 + x)  # a quarter of a cycle stands for all
    speed = line.rate * amplitude * np.outer(line.shape(above), np.cos(phase))
    scale = line.diameter * medium.density / medium.viscosity
    drag = np.vectorize(normal_coefficient)(scale * np.abs(speed), speed / medium.sound_speed)
    cubes = 0.5 * medium.density * line.diameter * drag * np.abs(speed) ** 3
    power = float((0.5 * line.length * w) @ cubes @ (0.5 * w))
    return power / (line.modal_mass * (line.rate * amplitude) ** 2)


def pivot_rate(line: Hanging, couple: float) -> float:
    """The same [1/s] by a couple [N m s/rad] times the turning rate at the pivot."""
    return 0.5 * couple * line.slope**2 / line.modal_mass


@dataclass(frozen=True)
class Decay:
    """The amplitude of a swing over time."""

    time: Array
    """(T,) [s]"""
    amplitude: Array
    """(T,) [m]"""

    @property
    def constant(self) -> float:
        """Time constant [s] of the exponential that fits the logarithm best over the record."""
        return float(-1.0 / np.polyfit(self.time, np.log(self.amplitude), 1)[0])


def decay(
    line: Hanging,
    medium: Medium,
    start: float,
    duration: float,
    friction: float = 0.0,
    drag_scale: float = 1.0,
) -> Decay:
    """Amplitude over time, from `start` [m], by drag and a constant rate of friction [1/s]."""
    grid = start * np.geomspace(1e-2, 1.0, 25)
    rates = drag_scale * np.array([drag_rate(line, medium, a) for a in grid])

    def slope(_t: float, log_a: Array) -> Array:
        drag = np.exp(np.interp(log_a, np.log(grid), np.log(rates))) if drag_scale > 0 else 0.0
        return np.asarray(-drag - friction + 0.0 * log_a)

    time = np.linspace(0.0, duration, 201)
    run = solve_ivp(slope, (0.0, duration), [np.log(start)], t_eval=time, rtol=1e-8, atol=1e-10)
    return Decay(time, np.exp(run.y[0]))


def friction_needed(
    line: Hanging,
    medium: Medium,
    start: float,
    duration: float,
    measured: float,
    drag_scale: float = 1.0,
) -> float:
    """Constant rate of friction [1/s] with which the swing shows the measured time constant [s].

    Negative where drag alone is faster than what was measured.
    """

    def off(rate: float) -> float:
        run = decay(line, medium, start, duration, rate, drag_scale)
        return 1.0 / run.constant - 1.0 / measured

    return float(brentq(off, -1.0 / measured, 2.0 / measured, xtol=1e-9))
