"""Lines that can be made: a taper within limits, from a point in the unit cube.

Where any diameter between two can be had (a plaited or ground line) the taper is free: the
diameters at a few stations, falling from butt to tip, smooth in between. Where only some diameters
can be had it is made of sections, each of one diameter, spliced end to end. Either way the point
says the shape, and a line that would be too heavy is made lighter until it is not: the butt is
thinned toward the tip, or its thick sections are shortened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar

from lashwave.quantities import Array, Line, Tuft
from lashwave.study.closed_forms import mass_beyond

KNOTS = np.array([0.0, 0.25, 0.5, 0.75, 0.9, 1.0])
"""Stations over the length at which a free taper has its diameters."""
ROWS = 61
"""Of a free taper's table."""
SPLICE = 0.02
"""Length over which one section goes over into the next [m]."""
SHORTEST = 0.03
"""A section shorter than this [m] is left out."""
LIGHTER = 60.0
"""Largest power by which thick sections are shortened."""
POWERS = (0.05, 20.0)
"""Within these the power of the nearest taper is sought."""


@dataclass(frozen=True)
class Stock:
    """What lines can be made of, and how long and heavy they may be."""

    length: tuple[float, float]
    """[m]"""
    mass: tuple[float, float]
    """[kg]"""
    diameter: tuple[float, float] = (1e-3, 12e-3)
    """Thinnest and thickest [m]."""
    sections: tuple[float, ...] = ()
    """Diameters that can be had [m]; empty: any between the two."""
    reference: float = 3e-3
    """Diameter [m] for which bending stiffness over linear density is stated; it grows with the
    diameter."""

    @property
    def names(self) -> tuple[str, ...]:
        """Of the shape's coordinates, the length first."""
        if self.sections:
            return ("length", *(f"section {1e3 * d:g} mm" for d in self._falling))
        return ("length", *(f"diameter {k + 1}" for k in range(KNOTS.size)))

    @property
    def _falling(self) -> tuple[float, ...]:
        return tuple(sorted(set(self.sections), reverse=True))


def table_of(stock: Stock, share: Array) -> tuple[Array, Array]:
    """Stations and diameters (R,) [m] of the line at a place (V,) in the unit cube."""
    length = stock.length[0] + (stock.length[1] - stock.length[0]) * float(share[0])
    if stock.sections:
        return _sections(stock._falling, share[1:], length)
    low, high = np.log(stock.diameter)
    knots = low + (high - low) * np.sort(share[1:])[::-1]
    x = np.linspace(0.0, 1.0, ROWS)
    return length * x, np.asarray(np.exp(PchipInterpolator(KNOTS, knots)(x)))


def _sections(falling: tuple[float, ...], weight: Array, length: float) -> tuple[Array, Array]:
    """Sections as long as their weights are large, the thinnest last."""
    part = np.maximum(weight, 1e-12)
    part = length * part / part.sum()
    while (short := (part > 0) & (part < SHORTEST)).any():
        part[np.flatnonzero(short)[part[short].argmin()]] = 0.0
        part *= length / part.sum()
    kept = np.flatnonzero(part > 0)
    ends = np.cumsum(part[kept])
    station, diameter = [0.0], [falling[kept[0]]]
    for i in range(kept.size - 1):
        station += [ends[i] - 0.5 * SPLICE, ends[i] + 0.5 * SPLICE]
        diameter += [falling[kept[i]], falling[kept[i + 1]]]
    return np.array([*station, length]), np.array([*diameter, falling[kept[-1]]])


def mass_of(station: Array, diameter: Array, density: float) -> float:
    """Mass [kg] of a full round cord of this density [kg/m3], from its table (R,) [m]."""
    a, b = diameter[:-1] ** 2, diameter[1:] ** 2
    return float(0.25 * np.pi * density * (0.5 * (a + b) * np.diff(station)).sum())


def lightened(stock: Stock, share: Array, density: float, most: float) -> Array | None:
    """The place (V,) in the unit cube, moved so that the line weighs `most` [kg] at most.

    None where even the thinnest line is heavier.
    """
    if _mass(stock, share, density) <= most:
        return share
    if _mass(stock, _lighter(stock, share, 1.0), density) > most:
        return None

    def over(by: float) -> float:
        return _mass(stock, _lighter(stock, share, by), density) - most

    by, more = brentq(over, 0.0, 1.0, xtol=1e-6), 2e-6
    while over(by) > 0.0:  # sections that are left out make steps
        by, more = min(1.0, by + more), 2.0 * more
    return _lighter(stock, share, by)


def _mass(stock: Stock, share: Array, density: float) -> float:
    return mass_of(*table_of(stock, share), density)


def _lighter(stock: Stock, share: Array, by: float) -> Array:
    """The place with a lighter line, by 0 (as it is) to 1 (the thinnest)."""
    out = share.copy()
    if stock.sections:
        rank = np.linspace(1.0, 0.0, share.size - 1)
        out[1:] = np.maximum(share[1:], 1e-6) * np.exp(-LIGHTER * by**2 * rank)
        out[-1] = max(out[-1], 1e-6)
        out[1:] /= out[1:].max()
    else:
        least = float(share[1:].min()) * (1.0 - max(0.0, 2.0 * by - 1.0))
        out[1:] = least + (share[1:] - share[1:].min()) * max(0.0, 1.0 - 2.0 * by)
    return out


def line_of(station: Array, diameter: Array, cord: Mapping[str, float], reference: float) -> Line:
    """The line of a table (R,) [m].

    cord : `cord_density` [kg/m3], `stiffness` over linear density at the reference diameter
    [m4/s2], `tuft_area` [m2].
    """
    fine = np.unique(np.concatenate([station, np.linspace(0.0, station[-1], ROWS)]))
    d = np.interp(fine, station, diameter)
    density = 0.25 * np.pi * cord["cord_density"] * d**2
    stiffness = cord["stiffness"] * density * d / reference
    return Line(fine, d, density, stiffness, tuft=Tuft(cord["tuft_area"], 0.0, 0.0))


def nearest_taper(line: Line) -> tuple[float, float]:
    """Tip ratio and power [1] of the family's taper that comes nearest to a line.

    The tip ratio is the line's own; the power has the least squares of the root of the mass beyond
    each station, by which the fold is slowed, with equal whole mass.
    """
    x = line.station / line.length
    ratio = float(line.linear_density[-1] / line.linear_density[0])
    steps = 0.5 * (line.linear_density[1:] + line.linear_density[:-1]) * np.diff(x)
    beyond = np.sqrt(np.append(np.cumsum(steps[::-1])[::-1], 0.0) / steps.sum())

    def off(power: float) -> float:
        form = mass_beyond(1.0 - x, ratio, np.exp(power))
        return float(((np.sqrt(form) - beyond) ** 2).sum())

    found = minimize_scalar(off, bounds=tuple(np.log(POWERS)), method="bounded")
    return ratio, float(np.exp(found.x))
