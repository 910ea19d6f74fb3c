"""CSV tables with units in their headings: columns in SI, and the line of every fault.

Small files go through `cells_of`; pieces of large ones through pandas, and back to the slow
way where that finds anything odd, so that both say the same about a fault.
"""

from __future__ import annotations

import difflib
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.source import blocks
from lashwave.quantities import SI, Array, InputError, UnitError, cells_of, factor, heading

FAST_FROM = 4 << 20
"""Pieces of text longer than this are worth importing pandas for [characters]."""
LARGEST_WHOLE = 2**53


@dataclass(frozen=True)
class Column:
    """What one column of a table must hold."""

    name: str
    dimension: str = "ratio"
    required: bool = True
    kind: str = "number"
    """ "number", "whole" (a count from 0) or "text"."""
    low: float = -math.inf
    high: float = math.inf
    above: float | None = None


@dataclass
class Table:
    """Columns of one CSV file, in SI."""

    path: Path
    where: str
    rows: int
    numbers: dict[str, Array]
    codes: dict[str, NDArray[np.int32]]
    """Of each text column, the place of each row's text in `texts`."""
    texts: dict[str, list[str]]
    unknown: tuple[str, ...] = ()
    """Columns that were passed over."""
    units: dict[str, tuple[float, str]] = field(default_factory=dict)
    """Of each column of numbers: the SI value of its unit, and the unit as its heading has it."""

    def line_of(self, row: int) -> int:
        """The line of a data row, by reading the file again."""
        seen = -2
        for first, text in blocks(self.path, self.where):
            for number, line in enumerate(text.split("\n"), first):
                seen += bool(line.strip())
                if seen == row:
                    return number
        return 0

    def shown(self, row: int, column: str) -> str:
        """A number of one row as the file has it, with its unit."""
        scale, unit = self.units[column]
        return f"{self.numbers[column][row] / scale:.9g} {unit}".strip()

    def fault(self, row: int, column: str, problem: str, remedy: str) -> InputError:
        """The error for one row, to be raised."""
        return InputError(self.where, problem, remedy, line=self.line_of(row), field=column)


@dataclass
class _Reader:
    where: str
    columns: list[Column | None]
    factors: list[float]
    units: dict[str, str] = field(default_factory=dict)
    """Of each column of numbers, as its heading has it."""
    texts: dict[str, dict[str, int]] = field(default_factory=dict)
    parts: dict[str, list[NDArray]] = field(default_factory=dict)

    def take(self, first: int, text: str) -> int:
        """Read one piece of the body; the number of rows it held."""
        if len(text) > FAST_FROM and self._fast(text):
            return 0
        rows, numbers = self._split(first, text)
        for i, column in enumerate(self.columns):
            if column is None:
                continue
            cells = [row[i] for row in rows]
            if column.kind == "text":
                self._keep_text(column.name, cells)
            else:
                values = self._to_float(column, cells, numbers)
                self.parts[column.name].append(values * self.factors[i])
        return len(rows)

    def _split(self, first: int, text: str) -> tuple[list[list[str]], list[int]]:
        """Cells of each row that is not blank, and its line."""
        lines = text.split("\n")
        numbers = [n for n, line in enumerate(lines, first) if line.strip()]
        rows: list[list[str]] = []
        try:
            for row in cells_of(line for line in lines if line.strip()):
                if len(row) != len(self.columns):
                    raise ValueError(f"has {len(row)} fields, the heading {len(self.columns)}")
                rows.append(row)
        except ValueError as error:
            raise InputError(
                self.where,
                str(error),
                "write one row a line, fields parted by commas, decimals by points",
                line=numbers[len(rows)],
                field="row",
            ) from None
        return rows, numbers

    def _to_float(self, column: Column, cells: list[str], numbers: list[int]) -> Array:
        try:
            values = np.array([float(cell) for cell in cells])
            clean = bool(np.isfinite(values).all()) and not any("_" in cell for cell in cells)
        except ValueError:
            clean = False
        if clean:
            return values
        for cell, line in zip(cells, numbers, strict=True):
            try:
                finite = math.isfinite(float(cell)) and "_" not in cell
                problem = f"{cell.strip()[:40]!r} is not finite"
            except ValueError:
                finite, problem = False, f"{cell.strip()[:40]!r} is not a number"
            if not finite:
                remedy = "write a finite number, or leave the row out"
                raise InputError(self.where, problem, remedy, line=line, field=column.name)
        raise AssertionError("a cell was bad, and none is")

    def _fast(self, text: str) -> bool:
        """The same by pandas, where nothing about the piece is odd."""
        last = self.columns[-1]
        rows = text.count("\n") + (not text.endswith("\n"))
        commas = len(self.columns) - 1
        if '"' in text or last is None or last.kind == "text" or text.count(",") != rows * commas:
            return False
        import pandas as pd

        kinds = {
            i: str if c.kind == "text" else np.float64
            for i, c in enumerate(self.columns)
            if c is not None
        }
        try:
            frame = pd.read_csv(
                io.StringIO(text),
                header=None,
                names=list(range(len(self.columns))),
                usecols=list(kinds),
                dtype=kinds,
                index_col=False,
                na_filter=False,
                **_exactly(pd.__version__),
            )
        except (ValueError, TypeError, OverflowError):
            return False
        floats = [i for i in kinds if kinds[i] is not str]
        if len(frame) != rows or not all(np.isfinite(frame[i].to_numpy()).all() for i in floats):
            return False
        for i, column in enumerate(self.columns):
            if column is None:
                continue
            if column.kind == "text":
                codes, names = pd.factorize(frame[i])
                places = self.texts[column.name]
                known = [places.setdefault(str(n).strip(), len(places)) for n in names]
                self.parts[column.name].append(np.array(known, dtype=np.int32)[codes])
            else:
                self.parts[column.name].append(frame[i].to_numpy() * self.factors[i])
        return True

    def _keep_text(self, name: str, cells: list[str]) -> None:
        places = self.texts[name]
        codes = [places.setdefault(cell.strip(), len(places)) for cell in cells]
        self.parts[name].append(np.array(codes, dtype=np.int32))


def _exactly(version: str) -> dict[str, Any]:
    """What makes pandas read numbers to the last digit; from 3 on it does so by itself."""
    return {} if int(version.split(".")[0]) >= 3 else {"float_precision": "round_trip"}


def read_table(path: Path, where: str, columns: Sequence[Column]) -> Table:
    """Read a CSV file whose first row is its heading.

    Parameters
    ----------
    path : the file; where : its name in messages.
    columns : what it may hold. A column that is none of these is passed over, unless its name
        is so near to one that it must be a slip.

    Raises
    ------
    InputError
        With the line and the column: missing or doubled columns, rows of another length, cells
        that are no finite numbers, values outside a column's range, no rows.
    """
    pieces = blocks(path, where)
    try:
        first, text = next(pieces)
    except StopIteration:
        raise InputError(where, "is empty", "export it again", line=1, field="heading") from None
    while text and not text.split("\n", 1)[0].strip():
        if "\n" not in text:
            raise InputError(where, "is blank", "export it again", line=1, field="heading")
        first, text = first + 1, text.split("\n", 1)[1]
    head, _, body = text.partition("\n")
    reader, unknown = _heading(head, where, first, columns)
    if body.strip():
        reader.take(first + 1, body)
    del text, body
    for line, piece in pieces:
        if piece.strip():
            reader.take(line, piece)
    return _finish(path, reader, unknown, columns)


def _finish(
    path: Path, reader: _Reader, unknown: tuple[str, ...], columns: Sequence[Column]
) -> Table:
    joined: dict[str, NDArray] = {}
    for name in list(reader.parts):
        parts = reader.parts.pop(name)
        joined[name] = parts[0] if len(parts) == 1 else np.concatenate(parts or [np.empty(0)])
    rows = min((v.size for v in joined.values()), default=0)
    if rows == 0:
        raise InputError(reader.where, "holds no rows", "export it again", line=1, field="rows")
    kinds = {c.name: c for c in columns}
    texts = {name: list(places) for name, places in reader.texts.items()}
    table = Table(
        path,
        reader.where,
        rows,
        {n: v for n, v in joined.items() if kinds[n].kind != "text"},
        {n: v for n, v in joined.items() if kinds[n].kind == "text"},
        texts,
        unknown,
        {
            c.name: (factor, reader.units.get(c.name, ""))
            for c, factor in zip(reader.columns, reader.factors, strict=True)
            if c is not None
        },
    )
    for name, values in table.numbers.items():
        _check_range(table, kinds[name], values)
    return table


def _check_range(table: Table, column: Column, values: Array) -> None:
    if column.kind == "whole":
        highest = min(column.high, LARGEST_WHOLE)
        bad = (values != np.floor(values)) | (values < 0) | (values > highest)
        wanted = "write a whole number from 0"
        wanted += f" to {highest:g}" if column.high < LARGEST_WHOLE else ""
    else:
        bad = (values < column.low) | (values > column.high)
        if column.above is not None:
            bad |= values <= column.above
        low = f"from {column.low:g}" if column.above is None else f"above {column.above:g}"
        si = "" if column.dimension == "ratio" else f" {SI[column.dimension]}"
        wanted = f"expected {low} to {column.high:g}{si}; check the unit in the heading"
    if bad.any():
        row = int(np.argmax(bad))
        if column.dimension == "time" and values[row] > column.high:
            wanted = f"expected at most {column.high:g} s; subtract the first time from all"
        shown = table.shown(row, column.name)
        raise table.fault(row, column.name, f"{shown} is not plausible", wanted)


def _heading(
    head: str, where: str, line: int, columns: Sequence[Column]
) -> tuple[_Reader, tuple[str, ...]]:
    """A reader for the columns of a heading, and the names it passes over."""

    def fault(problem: str, remedy: str, name: str = "heading") -> InputError:
        return InputError(where, problem, remedy, line=line, field=name)

    names = [c.name for c in columns]
    if "\r" in head.rstrip("\r"):
        raise fault("has line ends that are only CR", "save it with line ends LF or CRLF")
    try:
        cells = next(cells_of([head.rstrip("\r")]))
    except (ValueError, StopIteration):
        raise fault("has a heading that is no CSV", "write " + ", ".join(names)) from None
    reader = _Reader(where, [], [])
    unknown = []
    for cell in cells:
        try:
            name, unit = heading(cell)
            column = next((c for c in columns if c.name == name), None)
            scale = 1.0
            if column is not None and column.kind == "number":
                scale = factor(unit, column.dimension)
                si = SI[column.dimension]
                reader.units[column.name] = unit or ("" if si == "1" else si)
            elif column is not None and unit not in (None, "1", ""):
                raise UnitError(f"[{unit}] stands at a plain column", "leave the unit out")
        except UnitError as error:
            raise fault(error.problem, error.remedy, cell.strip()[:60]) from None
        if column is None:
            near = difflib.get_close_matches(name, names, 1, 0.7)
            near = [n for n in near if n not in [c.split("[")[0].strip() for c in cells]]
            if near:
                raise fault("is not a known column", f"did you mean {near[0]!r}?", name[:60])
            unknown.append(name)
        elif column.name in reader.parts:
            raise fault("stands twice in the heading", "keep one", name)
        else:
            reader.parts[column.name] = []
            if column.kind == "text":
                reader.texts[column.name] = {}
        reader.columns.append(column)
        reader.factors.append(scale)
    missing = [c.name for c in columns if c.required and c.name not in reader.parts]
    if missing:
        found = ", ".join(c.strip()[:20] for c in cells[:8])
        raise fault(f"is missing; the heading is: {found}", "add the column", missing[0])
    return reader, tuple(unknown)
