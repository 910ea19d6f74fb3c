"""Bending stiffness along a line, from the best that is known: table, droop tests, or a range.

A cord is a bundle of fibres. With fibres of diameter f, modulus E and density rho, its stiffness
lies between two bounds (the two limits of any account of a fibre bundle or wire rope; common
practice):

* all fibres slide freely, each bends by itself:  B = (E / rho) mu f^2 / 16,
* all fibres stick together, a solid rod:         B = (E / rho) mu d^2 / 16,

mu the linear density and d the diameter of the cord. Between them stands their geometric mean,
(E / rho) mu f d / 16, and the bounds lie ln(d / f) away. No line passes them, so they are taken as
three standard deviations; what the material leaves open is added.

Along one line B goes as mu d^e, e = 0 for loose fibres and 2 for a rod (with a mass that goes
as the square of the diameter: from the second to the fourth power of it). So

    log B = log(mu d) + a + b log(d / d0),

with e = 1 + b, and b as widely known as if all e from 0 to 2 were alike. Droop tests are readings
of log B at their stations: b follows from them and from what was known of it by least squares, a
from lashwave.quantities.arrays import Array
from them alone. Without tests a is what the bounds say.

Fibres of textiles (recalled, handbook ranges): f = 12 to 35 um, E / rho = 1e6 (wool, soft
nylon) to 9e6 m2/s2 (drawn polyester, flax), cotton 4e6, nylon 66 3e6; E f / rho of one stated
value is within a factor of three of the middle below. Leather is a felt of collagen fibres and
falls in the same range, by its stiffness as a whip. Rubber, metal wire and monofilament do not.

Bending stiffness from droop tests: the exact elastica under its own weight.

A piece clamped level hangs by theta(s) below the level, B theta'' = -w (L - s) cos(theta). With
z = (w / B)^(1/3) (L - s) measured from the tip the equation is theta'' = -z cos(theta) for every
line, so that one family of curves, by the tip's angle, holds them all; the clamp is where theta
vanishes, at z*, and q = w L^3 / B = z*^3. Peirce (J. Text. Inst. 21 (1930) T377) stated the test;
his closed form is 6 % high at 41.5 deg and is not used.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import (
    STANDARD_GRAVITY,
    Array,
    Droop,
    Line,
    OutOfRangeError,
    Source,
    Stiffness,
)

if TYPE_CHECKING:
    from lashwave.mechanics.chain import Chain

READING_SD = (1e-3, np.radians(1.0))
"""sd of a drop [m] and an angle [rad] that state none."""


@lru_cache(maxsize=1)
def _family() -> Array:
    """(K, 4): tip angle [rad], q, drop / L, reach / L of heavy elasticas."""
    from scipy.integrate import solve_ivp

    def slope(z: float, y: Array) -> list[float]:
        return [y[1], -z * np.cos(y[0]), np.sin(y[0]), np.cos(y[0])]

    def level(_z: float, y: Array) -> float:
        return float(y[0])

    level.terminal = True  # type: ignore[attr-defined]
    level.direction = -1  # type: ignore[attr-defined]
    angles = np.concatenate([np.radians([1e-3, 0.1]), np.radians(np.arange(0.5, 86.1, 0.5))])
    rows = []
    for angle in angles:
        run = solve_ivp(
            slope, (0, 60), [angle, 0, 0, 0], method="DOP853", events=level, rtol=1e-11, atol=1e-13
        )
        end = float(run.t_events[0][0])
        _, _, drop, reach = run.y_events[0][0]
        rows.append([angle, end**3, drop / end, reach / end])
    return np.array(rows)


def _curve(column: int) -> tuple[Array, Array]:
    """log q against log of drop / L (2), or of the chord's angle (3)."""
    _, q, drop, reach = _family().T
    measure = drop if column == 2 else np.arctan2(drop, reach)
    return np.log(measure), np.log(q)


def droop_curve(q: float) -> tuple[float, float, float]:
    """Drop / L, reach / L, tip angle [rad] of a level cantilever with q = w L^3 / B.

    Raises OutOfRangeError where the table of the cantilever ends.
    """
    from scipy.interpolate import CubicSpline

    angle, known, drop, reach = _family().T
    if not known[0] <= q <= known[-1]:
        raise OutOfRangeError(f"q = {q:g} is not in {known[0]:.2g}-{known[-1]:.3g}")
    spline = CubicSpline(np.log(known), np.stack([np.log(drop), reach, np.log(angle)], axis=1))
    a, b, c = spline(np.log(q))
    return float(np.exp(a)), float(b), float(np.exp(c))


def weight_number(*, drop: float | None = None, angle: float | None = None) -> tuple[float, float]:
    """q = w L^3 / B from drop / L or the chord's angle [rad], and d log q / d log (drop or angle).

    Raises
    ------
    OutOfRangeError : no line of that weight can hang so.
    """
    from scipy.interpolate import CubicSpline

    value, column = (drop, 2) if drop is not None else (angle, 3)
    known, log_q = _curve(column)
    if value is None or not np.exp(known[0]) <= value <= np.exp(known[-1]):
        raise OutOfRangeError(
            f"a droop of {value} is not in {np.exp(known[0]):.2g}-{np.exp(known[-1]):.3g} "
            "(drop over overhang, or chord angle in rad)"
        )
    spline = CubicSpline(known, log_q)
    at = np.log(value)
    return float(np.exp(spline(at))), float(spline(at, 1))


def droop_stiffness(
    line: Line, droop: Droop, gravity: float = STANDARD_GRAVITY
) -> tuple[float, float]:
    """Bending stiffness [N m2] at the middle of a drooping piece, and its relative sd."""
    length = droop.overhang
    ends = droop.station + 0.5 * length * np.array([-1.0, 1.0])
    inside = line.station[(line.station > ends[0]) & (line.station < ends[1])]
    s = np.concatenate([ends[:1], inside, ends[1:]])
    density = np.interp(s, line.station, line.linear_density)
    mean = float(np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(s)) / length)
    stated = np.isfinite(droop.drop_sd)
    if droop.drop is not None:
        q, grade = weight_number(drop=droop.drop / length)
        relative = (droop.drop_sd if stated else READING_SD[0]) / droop.drop
    else:
        q, grade = weight_number(angle=droop.angle)
        relative = (droop.drop_sd if stated else READING_SD[1]) / float(droop.angle or 1.0)
    return mean * gravity * length**3 / q, abs(grade) * relative


FIBRE = 20e-6
"""Diameter of a fibre [m]."""
SPECIFIC_MODULUS = 3e6
"""Young's modulus over density of a fibre [m2/s2]."""
MATERIAL_SD = 0.55
"""Logarithmic, of the product of the two: a factor of three at two deviations."""
SLOPE_SD = 1.0 / np.sqrt(3.0)
"""Of an exponent that is as likely anywhere within one of its middle."""
WANDER_SD = 0.1
"""Logarithmic, of a line's stiffness about that law, at one test."""
STATED_SD = 0.1
"""Relative sd of a stiffness column that states none."""


def known_stiffness(line: Line) -> Stiffness:
    """The line's bending stiffness.

    By its table; else by its droop tests, if any, diameter and linear density.
    """
    if line.bending_stiffness is None:
        return _by_law(line)
    value = np.asarray(line.bending_stiffness, dtype=float)
    sd = line.column_sd.get("bending_stiffness")
    relative = STATED_SD if sd is None else float(np.mean(sd / np.maximum(value, 1e-30)))
    return Stiffness(value, Source.COLUMN, relative, np.zeros(value.size), 0.0)


def _by_law(line: Line) -> Stiffness:
    """a and b by least squares; d0 is where they are independent of each other."""
    size = np.log(line.diameter)
    centre = float(size.mean())
    middle = np.log(SPECIFIC_MODULUS * FIBRE / 16)
    to_bound = np.log(np.maximum(line.diameter / FIBRE, 1.0))
    sd = float(np.mean(np.hypot(to_bound / 3, MATERIAL_SD)))
    stated = 0.0 if line.droops else sd**-2
    information = np.diag([stated, SLOPE_SD**-2])
    right = np.array([middle * stated, 0.0])
    for droop in line.droops:
        found, relative = droop_stiffness(line, droop)
        there = np.interp(droop.station, line.station, line.diameter)
        density = np.interp(droop.station, line.station, line.linear_density)
        row = np.array([1.0, np.log(there) - centre])
        weight = 1.0 / (relative**2 + WANDER_SD**2)
        information += weight * np.outer(row, row)
        right += weight * row * np.log(found / (density * there))
    covariance = np.linalg.inv(information)
    a, b = covariance @ right
    shift = -covariance[0, 1] / covariance[1, 1]
    return Stiffness(
        value=line.linear_density * line.diameter * np.exp(a + b * (size - centre)),
        source=Source.DROOP if line.droops else Source.GUESS,
        log_sd=float(np.sqrt(covariance[0, 0] - shift**2 * covariance[1, 1])),
        along=size - centre - shift,
        slope_sd=float(np.sqrt(covariance[1, 1])),
        tests=len(line.droops),
    )


def sloped(line: Line, chain: Chain, slope: float) -> Chain:
    """A line's chain with its stiffness going by another exponent with the diameter.

    Its mean over the outer half, of which `stiffness_scale` tells, stays the same.
    """
    known = known_stiffness(line)
    if not known.sloped:
        return chain
    along = np.interp(chain.station[:-1], line.station, known.along)
    return replace(chain, bend=chain.bend * np.exp(slope * (along - known.outer(line.station))))
