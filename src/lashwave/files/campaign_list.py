"""The trials of a campaign: a folder that holds their folders, or a table that names them.

The table is CSV: a column `trial` with the folder of each, relative to the table, and any further
columns. `specimen` and `thrower` stand before what trial.toml says; every other column is a
condition: text, or a number whose unit in brackets becomes SI.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

from lashwave.files.source import LARGEST_DESCRIPTION, decode
from lashwave.files.swap import is_part
from lashwave.quantities import SI, InputError, UnitError, cells_of, heading, to_si

DESCRIBED = "trial.toml"
NAMED = ("trial", "specimen", "thrower")
LONGEST_NAME = 200
"""Of the folder that holds a throw's answers [characters]."""


@dataclass(frozen=True)
class Listed:
    """One trial of a campaign."""

    name: str
    """The name of its folder of answers; no other trial has it."""
    folder: Path
    specimen: str | None = None
    thrower: str | None = None
    conditions: dict[str, float | str | None] = field(default_factory=dict)
    """By heading, `name [SI unit]` where a unit was stated; None where the cell is blank."""


def read_campaign(source: Path) -> tuple[Listed, ...]:
    """The trials below a folder, in the order of their names, or those of a table, in its order.

    Raises
    ------
    InputError
        Where there is nothing, the table is not as above, a row's folder holds no trial.toml, or
        two trials would have one name.
    """
    if not source.exists():
        raise InputError(source, "there is no such folder or table", "name one of the two")
    found = _in_table(source) if source.is_file() else _in_folder(source)
    seen: dict[str, Listed] = {}
    for one in found:
        if one.name in seen:
            raise InputError(
                source, f"{one.folder} and {seen[one.name].folder} have one name, {one.name!r}",
                "name each trial once, and rename one of two folders",
            )  # fmt: skip
        seen[one.name] = one
    return found


def _in_folder(source: Path) -> tuple[Listed, ...]:
    """Trial folders at any depth; what lies inside one is its own."""
    found: list[Path] = []

    def look(folder: Path) -> None:
        for path in sorted(folder.iterdir()):
            if path.name.startswith(".") or is_part(path.name) or not path.is_dir():
                continue
            if (path / DESCRIBED).is_file():
                found.append(path)
            elif not path.is_symlink():  # a link may lead round in a circle
                look(path)

    look(source)
    if not found:
        raise InputError(source, f"holds no folder with {DESCRIBED}", "name the folder above them")
    return tuple(Listed(_name(path.relative_to(source).as_posix()), path) for path in found)


def _name(path: str) -> str:
    """A path as one folder's name."""
    parts = [part for part in path.split("/") if part not in ("", ".", "..")]
    return "-".join(parts)[-LONGEST_NAME:].lstrip(".-") or "trial"


def _in_table(source: Path) -> tuple[Listed, ...]:
    rows, headings = _cells(source)
    if "trial" not in headings:
        raise InputError(
            source, f"the heading is {', '.join(headings)[:80]}", "add the column `trial`",
            line=1, field="trial",
        )  # fmt: skip
    columns = {head: [row[i].strip() for _, row in rows] for i, head in enumerate(headings)}
    conditions = [
        _condition(source, head, values, rows)
        for head, values in columns.items()
        if head not in NAMED
    ]
    found = []
    for at, (line, _) in enumerate(rows):
        path = columns["trial"][at]
        folder = source.parent / path
        if not path or not (folder / DESCRIBED).is_file():
            raise InputError(
                source, f"{path[:80]!r} is no folder that holds {DESCRIBED}",
                "write its path from the table's own folder", line=line, field="trial",
            )  # fmt: skip
        found.append(
            Listed(
                _name(path), folder,
                columns["specimen"][at] or None if "specimen" in columns else None,
                columns["thrower"][at] or None if "thrower" in columns else None,
                {head: values[at] for head, values in conditions},
            )
        )  # fmt: skip
    if not found:
        raise InputError(source, "holds no rows", "name a trial a row", line=1, field="rows")
    return tuple(found)


def _cells(source: Path) -> tuple[list[tuple[int, list[str]]], list[str]]:
    """Rows with their lines, and the headings."""
    if source.stat().st_size > LARGEST_DESCRIPTION:
        raise InputError(source, "is too large for a table of trials", "name a CSV table")
    lines = decode(source.read_bytes(), str(source)).splitlines()
    rows: list[tuple[int, list[str]]] = []
    at = 0
    try:
        for at, row in enumerate(cells_of(lines), 1):
            if any(cell.strip() for cell in row):
                rows.append((at, row))
    except ValueError as error:
        raise InputError(source, str(error), "write CSV", line=at + 1) from None
    if not rows:
        raise InputError(source, "is empty", "name a trial a row", line=1, field="heading")
    headings = [cell.strip() for cell in rows[0][1]]
    for line, row in rows[1:]:
        if len(row) != len(headings):
            raise InputError(
                source, f"has {len(row)} fields, the heading {len(headings)}",
                "write one row a trial, fields parted by commas", line=line, field="row",
            )  # fmt: skip
    twice = next((h for i, h in enumerate(headings) if not h or h in headings[:i]), None)
    if twice is not None:
        raise InputError(
            source, f"the column {twice!r} stands twice or has no name", "name each once",
            line=1, field="heading",
        )  # fmt: skip
    return rows[1:], headings


def _condition(
    source: Path, head: str, cells: list[str], rows: list[tuple[int, list[str]]]
) -> tuple[str, list[float | str | None]]:
    """A column under its heading in SI; numbers where every cell that is not blank is one."""
    try:
        name, unit = heading(head)
        scale, offset, si = (1.0, 0.0, "") if unit is None else _to_si(unit)
    except UnitError as error:
        raise InputError(source, error.problem, error.remedy, line=1, field=head[:60]) from None
    numbers: list[float | str | None] = []
    for cell, (line, _) in zip(cells, rows, strict=True):
        try:
            value = float(cell) if cell else None
        except ValueError:
            value = math.nan
        if value is not None and not math.isfinite(value):
            if unit is None:
                return head, [c or None for c in cells]
            raise InputError(
                source, f"{cell[:40]!r} is not a finite number", "write one, or leave it blank",
                line=line, field=head[:60],
            )  # fmt: skip
        numbers.append(None if value is None else value * scale + offset)
    return (f"{name} [{si}]" if si else name), numbers


def _to_si(unit: str) -> tuple[float, float, str]:
    """Factor, offset and SI unit of a unit of any dimension that a trial knows."""
    for dimension, si in SI.items():
        try:
            scale, offset = to_si(unit, dimension)
        except UnitError:
            continue
        return scale, offset, "" if si == "1" else si
    raise UnitError(f"[{unit}] is not a known unit", "write one such as [m], [degC] or [g]")
