"""Bending stiffness along a line, from the best that is known: table, droop tests, or a range.

A cord is a bundle of fibres. With fibres of diameter f, modulus E and density rho, its stiffness
lies between two bounds (the two limits of any account of a fibre bundle or wire rope; common
practice):

* all fibres slide freely, each bends by itself:  B = (E / rho) mu f^2 / 16,
* all fibres stick together, a solid rod:         B = (E / rho) mu d^2 / 16,

mu the linear density and d the diameter of the cord. Between them stands their geometric mean,
(E / rho) mu f d / 16, and the bounds lie ln(d / f) away. No line passes them, so they are taken as
three standard deviations; what the material leaves open is added.

Fibres of textiles (recalled, handbook ranges): f = 12 to 35 um, E / rho = 1e6 (wool, soft
nylon) to 9e6 m2/s2 (drawn polyester, flax), cotton 4e6, nylon 66 3e6; E f / rho of one stated
value is within a factor of three of the middle below. Leather is a felt of collagen fibres and
falls in the same range, by its stiffness as a whip. Rubber, metal wire and monofilament do not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.mechanics.droop import droop_stiffness
from lashwave.quantities.line import Line
from lashwave.quantities.stiffness import Source, Stiffness

Array = NDArray[np.float64]

FIBRE = 20e-6
"""Diameter of a fibre [m]."""
SPECIFIC_MODULUS = 3e6
"""Young's modulus over density of a fibre [m2/s2]."""
MATERIAL_SD = 0.55
"""Logarithmic, of the product of the two: a factor of three at two deviations."""
STATED_SD = 0.1
"""Relative sd of a stiffness column that states none."""
BETWEEN_SD, BEYOND_SD = 0.1, 0.3
"""Relative sd of carrying a stiffness from droop tests to stations between and beyond them."""


def known_stiffness(line: Line) -> Stiffness:
    """The line's bending stiffness by its table; else by droop tests; else by its diameter and
    linear density."""
    if line.bending_stiffness is not None:
        return _stated(line, np.asarray(line.bending_stiffness, dtype=float))
    return _carried(line) if line.droops else guessed(line)


def _stated(line: Line, value: Array) -> Stiffness:
    sd = line.column_sd.get("bending_stiffness")
    relative = STATED_SD if sd is None else float(np.mean(sd / np.maximum(value, 1e-30)))
    return Stiffness(value, Source.COLUMN, relative)


def guessed(line: Line) -> Stiffness:
    """Between free fibres and a solid rod (this module's text)."""
    value = SPECIFIC_MODULUS * line.linear_density * FIBRE * line.diameter / 16
    to_bound = np.log(np.maximum(line.diameter / FIBRE, 1.0))
    sd = np.hypot(to_bound / 3, MATERIAL_SD)
    return Stiffness(value, Source.GUESS, float(np.mean(sd)))


def _carried(line: Line) -> Stiffness:
    """Droop tests, carried along with the fourth power of the diameter."""
    area = np.pi / 64 * line.diameter**4
    tests = sorted(line.droops, key=lambda droop: droop.station)
    at = np.array([droop.station for droop in tests])
    found = np.array([droop_stiffness(line, droop) for droop in tests])
    modulus = np.log(found[:, 0] / np.interp(at, line.station, area))
    sd = np.interp(line.station, at, found[:, 1])
    outside = (line.station < at[0]) | (line.station > at[-1])
    away = np.where(outside, BEYOND_SD, BETWEEN_SD)
    value = area * np.exp(np.interp(line.station, at, modulus))
    return Stiffness(value, Source.DROOP, float(np.mean(np.hypot(sd, away))), len(tests))
