"""Air drag of a thin round line and of the bodies on it: one law for all that compute with it.

Across a link: force per length 1/2 rho d C(Re) f(M) |v_n| v_n, by its own velocity across alone
(the cross-flow principle; Hoerner, Fluid-Dynamic Drag, 1965, as NACA TN 2960 cites it). Along it:
1/2 rho pi d C_f(Re) |v_t| v_t. A marker or a tuft: 1/2 rho A |v| v, A its drag area. Re is that
of the diameter and of the speed across, or along.

Valid for 1 < Re < 2e5, below the drag crisis (Roshko, J. Fluid Mech. 10 (1961) 345), and up to
`MACH_KNOTS`' end. The rise with Mach number is measured for Re 5e4 to 1e6 only; see
docs/methods.md.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.lanes import every, least, most, pick, split, whole
from lashwave.quantities import Array

CRISIS = 2e5
"""Reynolds number of the drag crisis of a smooth cylinder (Roshko, J. Fluid Mech. 10, 1961)."""
# Ratio of the drag coefficient of a cylinder in cross-flow to its value at low speed. The peak
# near M = 1 follows Gowen and Perkins, NACA TN 2960 (1953, its abstract): 2.1 at M = 1 and 1.34
# at M = 2.9 over 1.2 at M = 0; in between the shape of a public fit (AeroSandbox, Cd_cylinder).
# The factor is constant above the last knot; a knot may be added anywhere.
MACH_KNOTS = np.array([0.0, 0.3, 0.5, 0.8, 0.95, 1.0, 1.2, 1.5, 2.0, 2.9])
MACH_FACTORS = np.array([1.0, 1.05, 1.12, 1.38, 1.68, 1.75, 1.47, 1.32, 1.20, 1.12])

SPHERE = 0.47
"""Drag coefficient of a marker taken as a sphere, 1e3 < Re < 2e5 (common handbook value, recalled
from memory). It has no rise with Mach number here."""

# 1 + 10 Re^(-2/3) and 0.37 Re^(-0.61); each stays as it is below its least Reynolds number.
CROSS, CROSS_POWER, CROSS_LEAST = 10.0, -2.0 / 3.0, 0.01
SKIN, SKIN_POWER, SKIN_LEAST = 0.37, -0.61, 1.0


def _pieces(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, ...]:
    """Cubic pieces (4 x (K - 1,)), constant term first, of the monotone cubic through the knots.

    Slopes by Fritsch and Butland (1984); 0 at the first knot.
    """
    from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

    slopes = PchipInterpolator(x, y).derivative()(x)
    slopes[0] = 0.0
    return tuple(np.ascontiguousarray(row) for row in CubicHermiteSpline(x, y, slopes).c[::-1])


_, _RISE, _RISE_2, _RISE_3 = _pieces(MACH_KNOTS, MACH_FACTORS)
_CALM, _FASTEST = float(MACH_KNOTS[1]), float(MACH_KNOTS[-1])

# A power costs more than all the rest of a link. x^p = (2^e c)^p (1 + r)^p with c the middle of
# one of 128 parts of an octave and |r| < 1/256: six terms of the binomial series leave 1e-17.
_PARTS = 128
_LOWEST, _OCTAVES = -8, 64
_CENTRE = 1.0 + (np.arange(_PARTS) + 0.5) / _PARTS
_OVER_CENTRE = 1.0 / _CENTRE
_LEAST_BASE, _MOST_BASE = 2.0**_LOWEST, 2.0 ** (_LOWEST + _OCTAVES - 1)


def _power_table(power: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Powers of the octaves (64,) and of the parts' middles (128,), binomial coefficients (7,)."""
    octave = 2.0 ** (power * (np.arange(_OCTAVES) + _LOWEST))
    series = np.ones(7)
    for k in range(6):
        series[k + 1] = series[k] * (power - k) / (k + 1)
    return octave, _CENTRE**power, series


_CROSS_OCTAVE, _CROSS_PART, _CROSS_SERIES = _power_table(CROSS_POWER)
_SKIN_OCTAVE, _SKIN_PART, _SKIN_SERIES = _power_table(SKIN_POWER)


@compiled(error_model="numpy")
def _power(x: float, power: float, octave: Array, part: Array, series: Array) -> float:
    """x^power to rounding for x of 2^-8 to 2^55, from `_power_table`; constant beyond."""
    mantissa, exponent = split(least(most(x, _LEAST_BASE), _MOST_BASE))
    i = whole((mantissa - 1.0) * _PARTS)
    r = (mantissa - _CENTRE[i]) * _OVER_CENTRE[i]
    s = series
    sum_ = s[0] + r * (s[1] + r * (s[2] + r * (s[3] + r * (s[4] + r * (s[5] + r * s[6])))))
    return octave[exponent - _LOWEST] * part[i] * sum_


@compiled(error_model="numpy")
def mach_rise(mach: float) -> tuple[float, float]:
    """Ratio of the normal drag coefficient at `mach` to that at low speed, and its slope.

    Constant above the last of `MACH_KNOTS`.
    """
    x = least(most(mach, 0.0), _FASTEST)
    if every(x <= _CALM):
        c, d, e = _RISE_2[0], _RISE_3[0], _RISE[0]
        return 1.0 + x * (e + x * (c + x * d)), e + x * (2.0 * c + x * 3.0 * d)
    passed = pick(x > _CALM, 1.0, 0.0)
    for k in range(2, MACH_KNOTS.size - 1):
        passed += pick(x > MACH_KNOTS[k], 1.0, 0.0)
    i = whole(passed)
    x -= MACH_KNOTS[i]
    b, c, d = _RISE[i], _RISE_2[i], _RISE_3[i]
    slope = b + x * (2.0 * c + x * 3.0 * d)
    return MACH_FACTORS[i] + x * (b + x * (c + x * d)), pick(mach < _FASTEST, slope, 0.0)


@compiled(error_model="numpy")
def _cross(reynolds: float, mach: float) -> tuple[float, float]:
    """`normal_coefficient`, and the derivative of its logarithm by that of the speed."""
    rise, slope = mach_rise(mach)
    base = most(reynolds, CROSS_LEAST)
    part = CROSS * _power(base, CROSS_POWER, _CROSS_OCTAVE, _CROSS_PART, _CROSS_SERIES)
    grade = pick(reynolds > CROSS_LEAST, CROSS_POWER * part / (1.0 + part), 0.0)
    return (1.0 + part) * rise, grade + mach * slope / rise


@compiled(error_model="numpy")
def normal_coefficient(reynolds: float, mach: float) -> float:
    """Drag coefficient of a smooth cylinder in cross-flow.

    1 + 10 Re^(-2/3) (White, Viscous Fluid Flow, recalled from memory; within 10 % of the middle of
    three public fits for 1 < Re < 1e4, and 15 % under a handbook's 1.20 at Re 1e4 to 1e5, see
    docs/validation.md) times `mach_rise`. Below Re = 0.01 it stays at its value there.
    """
    return _cross(reynolds, mach)[0]


@compiled(error_model="numpy")
def tangential_coefficient(reynolds: float) -> float:
    """Skin-friction coefficient along a thread, 0.37 Re_d^-0.61 on the wetted surface.

    Matsui, Trans. Soc. Rheol. 20 (1976) 465 (recalled from memory; good to a factor 1.5). Below
    Re = 1 it stays at its value there.
    """
    base = most(reynolds, SKIN_LEAST)
    return SKIN * _power(base, SKIN_POWER, _SKIN_OCTAVE, _SKIN_PART, _SKIN_SERIES)


@compiled(error_model="numpy")
def link_drag(
    across: float,
    along: float,
    length: float,
    diameter: float,
    density: float,
    viscosity: float,
    sound: float,
    normal: float,
    tangential: float,
) -> tuple[float, float, float, float]:
    """Drag of a straight link at speeds across and along itself [m/s], over those speeds.

    normal, tangential : scales of the two coefficients. `along` may have either sign.

    Returns cross and skin [N s/m], both positive: the force is -cross v_n - skin v_t; and, of
    either, the derivative of its logarithm by that of its speed.
    """
    half = 0.5 * density * diameter * length
    to_reynolds = density * diameter / viscosity
    slide = most(along, -along)
    drag, grade = _cross(to_reynolds * across, across / sound)
    cross = half * normal * drag * across
    reynolds = to_reynolds * slide
    skin = half * np.pi * tangential * tangential_coefficient(reynolds) * slide
    slip = 1.0 + pick(reynolds > SKIN_LEAST, SKIN_POWER, 0.0)
    return cross, skin, 1.0 + grade, slip


@compiled(error_model="numpy")
def body_drag(speed: float, area: float, density: float) -> float:
    """Drag of a body of drag area `area` [m2] over its speed [N s/m]: the force is minus it v."""
    return 0.5 * density * area * speed


FASTEST = float(MACH_KNOTS[-1])
"""Mach number up to which the rise of the drag is known."""
MEASURED = (5e4, 1e6)
"""Reynolds numbers of those measurements."""
RISEN = 0.8
"""Mach number from which the rise is more than a third, and so matters."""


def range_warnings(
    time: Array, across: Array, diameter: Array, density: float, viscosity: float, sound: float
) -> tuple[str, ...]:
    """What is outside the law's range.

    time : (K,) [s]. across : (K, N) [m/s], speed across each link. diameter : (N,) [m].
    density [kg/m3], viscosity [Pa s] and speed of sound [m/s] of the air.
    """
    if density <= 0.0:
        return ()
    reynolds, mach = across * diameter * density / viscosity, across / sound
    found = []
    if mach.max() > FASTEST:
        k = int((mach > FASTEST).any(axis=1).argmax())
        found.append(
            f"air drag: the line moves at Mach {mach.max():.2f} from {time[k]:.4f} s on; the law "
            f"is known to Mach {FASTEST} and taken as constant beyond"
        )
    fast = mach > RISEN
    if fast.any() and (reynolds[fast] < MEASURED[0]).any():
        k = int(fast.any(axis=1).argmax())
        found.append(
            f"air drag: from {time[k]:.4f} s on the line moves faster than Mach {RISEN} at "
            f"Reynolds numbers down to {reynolds[fast].min():.1g}; the rise of drag with Mach "
            f"number was measured from {MEASURED[0]:.0e} to {MEASURED[1]:.0e}, and is carried over"
        )
    if reynolds.max() > CRISIS:
        found.append(
            f"air drag: Reynolds numbers reach {reynolds.max():.1g}; from {CRISIS:.0e} on the drag "
            "of a smooth cylinder falls to a third, which the law does not know"
        )
    return tuple(found)
