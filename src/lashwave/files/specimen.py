"""The measured line: its table, its grip and far end, the tuft, the droop tests."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.quantities import Array, Droop, InputError, Line, Tuft

LONGEST = 100.0
"""No line that is thrown is longer [m]."""

_LIMITS = {
    "station": ("length", 0.0, LONGEST),
    "diameter": ("length", 1e-5, 0.2),
    "linear_density": ("linear density", 1e-7, 10.0),
    "bending_stiffness": ("bending stiffness", 0.0, 1e3),
    "axial_stiffness": ("force", 1e-3, 1e9),
}
UNMEASURED = {
    "station": np.array([0.0, LONGEST]),
    "diameter": np.full(2, 0.01),
    "linear_density": np.full(2, 0.1),
}
"""What reading goes on with where the table is at fault and all faults are sought."""
_OPTIONAL = ("bending_stiffness", "axial_stiffness")


def _columns() -> list[Column]:
    columns = []
    for name, (dimension, low, high) in _LIMITS.items():
        columns.append(Column(name, dimension, name not in _OPTIONAL, low=low, high=high))
        columns.append(Column(f"{name}_sd", dimension, False, low=0.0, high=high))
    return columns


def read_line(folder: Folder, fields: Fields) -> Line:
    """The `[line]` table of a trial and the files that it names.

    Raises InputError for a grip as long as the line, and tables that are not as they should be.
    """
    fields.expect("table", "handle_length", "ends", "tuft", "droop")
    columns = fields.attempt("table", lambda: _measured(folder, fields), UNMEASURED)
    station = columns["station"]
    length = float(station[-1])
    handle = fields.number("handle_length", "length", 0.0, 0.0, LONGEST)
    if handle >= 0.9 * length:
        problem = f"{fields.shown('handle_length')} of a line of {length:g} m leaves no line"
        fields.refuse("handle_length", problem, "write the length of the rigid grip alone")
        handle = 0.0
    tuft = fields.attempt("tuft", lambda: _tuft(fields.sub("tuft")), None)
    droops = fields.attempt("droop", lambda: _droops(fields, length), [])
    return Line(
        station=station,
        diameter=columns["diameter"],
        linear_density=columns["linear_density"],
        bending_stiffness=columns.get("bending_stiffness"),
        axial_stiffness=columns.get("axial_stiffness"),
        column_sd={
            k[:-3]: v for k, v in columns.items() if k.endswith("_sd") and k[:-3] in columns
        },
        handle_length=handle,
        ends=fields.text("ends", "free", ("free", "held")),
        tuft=tuft,
        droops=tuple(droops),
    )


def _measured(folder: Folder, fields: Fields) -> dict[str, Array]:
    """The columns of the line's table, SI."""
    name = fields.text("table")
    path = folder.file(name, fields.where, fields.line("table"), fields.name("table"))
    table = read_table(path, name, _columns())
    folder.notes += [f"{name}: column {c!r} is not used." for c in table.unknown]
    _check_stations(table)
    return table.numbers


def _droops(fields: Fields, length: float) -> list[Droop]:
    tables = fields.subs("droop")
    found = [one.attempt("drop", partial(_droop, one, length), None) for one in tables]
    return [droop for droop in found if droop is not None]


def _check_stations(table: Table) -> None:
    station = table.numbers["station"]
    if station.size < 2:
        raise InputError(
            table.where, "has one row", "give at least butt and tip", line=2, field="station"
        )
    if abs(station[0]) > 1e-9:
        raise table.fault(
            0, "station", f"begins at {table.shown(0, 'station')}", "begin at the butt, 0"
        )
    rising = np.diff(station) > 0
    if not rising.all():
        row = int(np.argmin(rising)) + 1
        raise table.fault(
            row,
            "station",
            f"{table.shown(row, 'station')} is not beyond {table.shown(row - 1, 'station')}",
            "order rows from butt to tip",
        )
    if not 0.05 <= station[-1] <= LONGEST:
        raise table.fault(
            station.size - 1,
            "station",
            f"a line of {table.shown(station.size - 1, 'station')} is not plausible",
            f"expected 0.05 to {LONGEST:g} m; check the unit in the heading",
        )


def _tuft(fields: Fields | None) -> Tuft | None:
    if fields is None:
        return None
    fields.expect("area", "area_sd", "mass")
    return Tuft(
        area=fields.number("area", "area", low=0.0, high=0.1),
        area_sd=fields.number("area_sd", "area", 0.0, 0.0, 0.1),
        mass=fields.number("mass", "mass", 0.0, 0.0, 1.0),
    )


def _droop(fields: Fields, length: float) -> Droop:
    fields.expect("station", "overhang", "drop", "angle", "drop_sd", "angle_sd")
    station = fields.number("station", "length", low=0.0, high=length)
    overhang = fields.number("overhang", "length", high=length, above=0.0)
    if fields.has("drop") == fields.has("angle"):
        raise fields.fault("drop", "needs one of drop and angle", "give one of the two")
    if fields.has("drop"):
        drop = fields.number("drop", "length", above=0.0, high=overhang)
        if drop >= overhang:
            raise fields.fault("drop", "is as long as the overhang", "measure a shorter drop")
        if fields.has("angle_sd"):
            raise fields.fault("angle_sd", "stands beside a drop", "give drop_sd")
        sd = fields.number("drop_sd", "length", math.nan, high=overhang, above=0.0)
        return Droop(station, overhang, drop, None, sd)
    angle = fields.number("angle", "angle", above=0.0, high=math.pi / 2)
    key = "angle_sd" if fields.has("angle_sd") else "drop_sd"
    return Droop(
        station, overhang, None, angle, fields.number(key, "angle", math.nan, high=1.0, above=0.0)
    )
