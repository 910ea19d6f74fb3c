"""A table of throws on disk, to which rows are added as they are done.

CSV with one heading line, `name [unit]`. Rows are written whole and flushed; a last line that was
cut off by a kill is dropped when the table is opened again, so that throw is done anew.

One throw, or ranges of its inputs, is a small TOML file.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lashwave.files.fields import Fields, read_toml
from lashwave.quantities import InputError, cells_of, csv_lines


class ThrowTable:
    """A growing CSV of throws; `done` holds the numbers of those in it."""

    def __init__(self, path: Path, columns: Sequence[str], units: Mapping[str, str]) -> None:
        self.path, self.columns = path, list(columns)
        self.headings = [f"{c} [{units[c]}]" if c in units else c for c in columns]
        self.done: set[int] = set()
        if path.exists():
            self._open_again()
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._write("".join(csv_lines([self.headings])), "w")

    def _open_again(self) -> None:
        text = self.path.read_text(encoding="utf-8")
        whole = text[: text.rfind("\n") + 1]
        lines = list(cells_of(whole.splitlines(), strict=False))
        if not lines or lines[0] != self.headings:
            raise InputError(
                str(self.path), "holds other columns than this run writes",
                "name another --out, or move that file away",
            )  # fmt: skip
        if whole != text:
            self._write(whole, "w")
        self.done = {int(line[0]) for line in lines[1:] if len(line) == len(self.headings)}

    def _write(self, text: str, mode: str) -> None:
        with self.path.open(mode, encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())

    def add(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """Append rows, whole or not at all."""
        cells = ([_cell(row[name]) for name in self.columns] for row in rows)
        self._write("".join(csv_lines(cells)), "a")
        self.done |= {int(row[self.columns[0]]) for row in rows}


def _cell(value: Any) -> str:
    """A number in full; text on one line, in one cell for the simplest reader."""
    text = repr(value) if isinstance(value, float) else str(value).replace(",", ";")
    return text.replace("\n", " ")


def read_throws(path: Path, numbers: Sequence[str] = ()) -> pd.DataFrame:
    """The table, its columns by their bare names, in the order of the throws.

    numbers : columns, where the table has them, of numbers [unit as headed]; a blank cell is nan.

    Raises
    ------
    InputError : there is no such file, it is no table of throws, or a cell is no number.
    """
    if not path.is_file():
        raise InputError(str(path), "there is no such file", "name a table of throws (.csv)")
    try:
        table = pd.read_csv(path, keep_default_na=True)
    except (ValueError, UnicodeDecodeError) as failure:
        raise InputError(str(path), f"is no table: {failure}", "name a table of throws") from None
    table = table.rename(columns=lambda name: str(name).split(" [")[0])
    if "throw" not in table:
        raise InputError(str(path), "has no column `throw`", "name a table of throws")
    for name in numbers:
        if name in table:
            table[name] = _numbers(path, name, table[name])
    table["bad"] = table["bad"].fillna("") if "bad" in table else ""
    return table.drop_duplicates("throw").sort_values("throw", ignore_index=True)


def _numbers(path: Path, name: str, cells: pd.Series[Any]) -> pd.Series[float]:
    """Cells as finite numbers, nan where blank; raises InputError."""
    found = pd.to_numeric(cells, errors="coerce").astype(float)
    wrong = np.flatnonzero(~np.isfinite(found) & cells.notna())
    if wrong.size:
        text = str(cells.iloc[wrong[0]])[:40]
        raise InputError(
            str(path), f"{text!r} is not a finite number", "write one, or leave it blank",
            line=int(wrong[0]) + 2, field=name,
        )  # fmt: skip
    return found


EVEN = 3.0**0.5
"""Half width of an even spread over its standard deviation."""


def read_ranges(path: Path, dimensions: Mapping[str, str]) -> dict[str, tuple[float, float]]:
    """(low, high) of the inputs named in a file, SI; both alike where an input is fixed.

    An input is a quantity (`length = "2.1 m"`), a range (`{low = ..., high = ...}`), or a value
    with its standard deviation (`{value = ..., sd = ...}`: an even spread of that deviation).

    Parameters
    ----------
    dimensions : of every input that may be named, as of `units.SI`.

    Raises
    ------
    InputError : the file, a field or a quantity is at fault.
    """
    fields = read_toml(path, "a throw").expect(*dimensions)
    return {name: range_of(fields, name, dimensions[name]) for name in fields.table}


def range_of(fields: Fields, name: str, dimension: str) -> tuple[float, float]:
    """(low, high) of one field, SI, written as `read_ranges` says; raises InputError."""
    given: Any = fields.get(name)
    if not isinstance(given, dict):
        value = fields.number(name, dimension)
        return value, value
    inner = Fields(fields.where, given, (*fields.path, name), fields.lines)
    inner.expect("low", "high", "value", "sd")
    if "value" in given or "sd" in given:
        value, sd = inner.number("value", dimension), inner.number("sd", dimension, low=0.0)
        return value - EVEN * sd, value + EVEN * sd
    low, high = inner.number("low", dimension), inner.number("high", dimension)
    if low > high:
        raise inner.fault("low", f"{low:g} is above high, {high:g}", "exchange them")
    return low, high
