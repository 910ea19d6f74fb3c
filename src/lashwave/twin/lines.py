"""Invented lines: tapered, weighed and measured with errors, carrying markers.

Ranges are those of plaited lines one can hold: 50 to 120 g/m at the butt, 1.5 to 4 g/m at the
tip. Bending stiffness over linear density runs from some 0.007 m4/s2 at the tip (a 2 mm cord of
2 g/m: 1.4e-5 N m2) to some 0.02 at the butt, so that a fold near the tip has a radius of a few
centimetres.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.quantities import Array, Line, Tuft
from lashwave.twin.throw_scene import Lash

DENSITY_SD, DIAMETER_SD, STIFFNESS_SD = 0.01, 0.02, 0.08
"""Relative standard deviations of one row of the table."""
HELD_LINK = 0.05
"""Length of the rigid far end of a held line [m]."""


def wobble(rng: np.random.Generator, x: Array, size: float) -> Array:
    """A smooth random factor [1] near 1 along x (S,) in 0 ... 1: five waves of falling weight."""
    waves = np.arange(1, 6)
    weight = rng.normal(0.0, 1.0, 5) / waves
    phase = rng.uniform(0.0, 2 * np.pi, 5)
    return np.exp(size * (weight * np.sin(2 * np.pi * x[:, None] * waves + phase)).sum(axis=1))


def _true_line(rng: np.random.Generator, kind: str) -> Line:
    length = float(rng.uniform(1.5, 3.2))
    station = np.linspace(0.0, length, int(rng.integers(16, 27)))
    x = station / length
    handle = float(rng.uniform(0.15, 0.25))
    if kind == "throw":
        butt, tip, power = rng.uniform(0.06, 0.12), rng.uniform(0.0018, 0.0035), rng.uniform(1.3, 2)
    else:
        butt = rng.uniform(0.03, 0.1)
        tip, power = butt * rng.uniform(0.1, 1.0), rng.uniform(0.8, 1.5)
    density = (tip + (butt - tip) * (1 - x) ** power) * wobble(rng, x, 0.03)
    diameter = np.sqrt(4 * density / (np.pi * rng.uniform(700, 1000))) * wobble(rng, x, 0.02)
    grade = rng.uniform(0.005, 0.01) * (diameter / diameter[-1]) ** rng.uniform(0.4, 0.8)
    if kind != "throw":
        grade = rng.uniform(0.003, 0.02) * np.ones_like(x)
    tuft = draw_tuft(rng) if kind == "throw" else None
    return Line(
        station=station,
        diameter=diameter,
        linear_density=density,
        bending_stiffness=density * grade * wobble(rng, x, 0.05),
        handle_length=handle,
        ends="held" if kind == "held" else "free",
        tuft=tuft,
    )


def draw_tuft(rng: np.random.Generator) -> Tuft | None:
    """Loose strands at the tip, of two lines in five."""
    if rng.random() >= 0.4:
        return None
    area = float(rng.uniform(5e-6, 3e-5))
    return Tuft(area, 0.25 * area, float(rng.uniform(0.5e-5, 2e-5)))


def _measured(rng: np.random.Generator, line: Line, stiffness: bool) -> Line:
    """The table as an experimenter would write it; errors independent from row to row."""

    def read(column: Array, sd: float) -> Array:
        return np.asarray(column * (1.0 + sd * rng.normal(size=column.size)))

    assert line.bending_stiffness is not None
    columns = {
        "diameter": read(line.diameter, DIAMETER_SD),
        "linear_density": read(line.linear_density, DENSITY_SD),
        "bending_stiffness": read(line.bending_stiffness, STIFFNESS_SD),
    }
    sds = {"diameter": DIAMETER_SD, "linear_density": DENSITY_SD, "bending_stiffness": STIFFNESS_SD}
    if not stiffness:
        sds.pop("bending_stiffness")
    return Line(
        station=line.station,
        diameter=columns["diameter"],
        linear_density=columns["linear_density"],
        bending_stiffness=columns["bending_stiffness"] if stiffness else None,
        column_sd={name: sd * np.abs(columns[name]) for name, sd in sds.items()},
        handle_length=line.handle_length,
        ends=line.ends,
        tuft=line.tuft,
    )


def _stations(rng: np.random.Generator, line: Line) -> Array:
    """Two markers on the grip, 9 to 16 on the line, closer toward the tip."""
    count, handle, length = int(rng.integers(9, 17)), line.handle_length, line.length
    last = length - rng.uniform(0.06, 0.15)
    if line.ends == "held":
        last = length - HELD_LINK
    share = np.linspace(0.0, 1.0, count + 1)[1:] ** rng.uniform(0.75, 0.95)
    wander = rng.uniform(-0.15, 0.15, count) / count
    wander[-1] = 0.0
    along = handle + (last - handle) * np.clip(share + wander, 0.02, 1.0)
    ends = [0.2 * handle, 0.85 * handle]
    tail = [length - 0.005] if line.ends == "held" else []
    return np.sort(np.concatenate([ends, along, tail]))


def draw_lash(rng: np.random.Generator, kind: str, stiffness: bool = True) -> Lash:
    """A line for a "throw", a "swing" or a "held" motion.

    stiffness : whether the table has its column of bending stiffness.
    """
    return equip(rng, _true_line(rng, kind), stiffness)


def vary_lash(mother: np.random.Generator, rng: np.random.Generator, stiffness: bool) -> Lash:
    """A sister of the throwing line that `mother` draws: longer or shorter, heavier or lighter."""
    line = _true_line(mother, "throw")
    x = line.station / line.length
    longer = float(np.clip(rng.uniform(0.9, 1.1), 1.5 / line.length, 3.2 / line.length))
    heavier = rng.uniform(0.85, 1.2) * wobble(rng, x, 0.02)
    thicker = np.sqrt(heavier) * wobble(rng, x, 0.02)
    stiffer = heavier * rng.uniform(0.85, 1.25) * wobble(rng, x, 0.03)
    assert line.bending_stiffness is not None
    sister = replace(
        line,
        station=line.station * longer,
        diameter=line.diameter * thicker,
        linear_density=line.linear_density * heavier,
        bending_stiffness=line.bending_stiffness * stiffer,
        handle_length=line.handle_length * longer,
    )
    return equip(rng, sister, stiffness)


def equip(rng: np.random.Generator, true: Line, stiffness: bool) -> Lash:
    """Measure a line and put markers on it."""
    stated = _measured(rng, true, stiffness)
    station_sd = 1e-3
    stated_station = np.round(_stations(rng, true), 3)
    station = stated_station + rng.normal(0.0, station_sd, stated_station.size)
    # The end marker of a held line must stay on the line.
    station = np.clip(station, 0.0, true.length - 1e-3)
    return Lash(
        true=true,
        stated=stated,
        station=station,
        stated_station=stated_station,
        station_sd=station_sd,
        marker_mass=float(rng.uniform(0.05e-3, 0.2e-3)),
        marker_diameter=float(rng.uniform(3e-3, 5e-3)),
    )
