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
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.mechanics.chain import Chain
from lashwave.mechanics.droop import droop_stiffness
from lashwave.quantities import Line, Source, Stiffness

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
    told = 0.0 if line.droops else sd**-2
    information = np.diag([told, SLOPE_SD**-2])
    right = np.array([middle * told, 0.0])
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
