"""A text table as an instrument wrote it: its separator, its headings, its cells."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.files import decode
from lashwave.intake.headings import Heading, understood
from lashwave.quantities import InputError, cells_of

LARGEST = 512 << 20
"""A larger table is not an instrument's export of one trial [bytes]."""
PREAMBLE = 20
"""Lines above the headings that are passed over at most."""
SEPARATORS = ",;\t"
ENDINGS = (".csv", ".txt", ".tsv", ".dat", ".asc")
"""Of files that are taken as text tables, in lower case."""
_EMPTY = ("", "nan", "-", "na", "n/a", "null")


@dataclass(frozen=True)
class Sheet:
    """A table: headings, and the cells below them."""

    name: str
    headings: tuple[Heading, ...]
    rows: list[list[str]]
    separator: str
    skipped: int
    """Lines above the headings, those of a second heading line left out."""
    comma: bool
    """Whether decimals are written with a comma."""

    def column(self, index: int) -> NDArray[np.float64]:
        """A column as numbers (R,), no unit applied; nan where a cell is empty.

        Raises InputError with the line where a cell is something else.
        """
        values = np.full(len(self.rows), np.nan)
        for i, row in enumerate(self.rows):
            cell = row[index].strip() if index < len(row) else ""
            if cell.lower() in _EMPTY:
                continue
            value = _number(cell, self.comma)
            if value is None or not math.isfinite(value):
                raise InputError(
                    self.name, f"{cell[:30]!r} is no number", "export it again",
                    line=self.skipped + 2 + i, field=self.headings[index].text,
                )  # fmt: skip
            values[i] = value
        return values

    def texts(self, index: int) -> list[str]:
        """A column as texts."""
        return [row[index].strip() if index < len(row) else "" for row in self.rows]

    def find(self, means: str) -> int | None:
        """The first column with a meaning and no label of its own."""
        found = (i for i, h in enumerate(self.headings) if h.means == means and h.label is None)
        return next(found, None)


def read_sheet(path: Path, name: str) -> Sheet:
    """A table whose headings stand in one line, or in two: labels above axes.

    Raises InputError for what is no text, no table, or too large.
    """
    if path.stat().st_size > LARGEST:
        raise InputError(name, f"is over {LARGEST >> 20} MB", "export one trial a file")
    text = decode(path.read_bytes(), name)
    lines = [line.rstrip("\r") for line in text.split("\n")]
    separator = max(SEPARATORS, key=lambda s: sum(line.count(s) for line in lines[:50]))
    try:
        cells = list(cells_of(lines, separator, strict=False))
    except ValueError:
        problem = "is no table: a line end or a quote stands where none may"
        raise InputError(name, problem, "export it with line ends LF or CRLF") from None
    rows = [row if any(c.strip() for c in row) else [] for row in cells]
    first = _first_row_of_numbers(rows, comma := separator != "," and _commas(rows))
    if first is None or first == 0:
        raise InputError(name, "has no headings above numbers", "export it with a heading")
    heading, skipped = rows[first - 1], first - 1
    named = [understood(c) for c in heading]
    if first >= 2 and rows[first - 2] and _axes(named):
        named = _two_lines(rows[first - 2], named)
    body = [row for row in rows[first:] if row]
    return Sheet(name, tuple(named), body, separator, skipped, comma)


def _first_row_of_numbers(rows: list[list[str]], comma: bool) -> int | None:
    for i, row in enumerate(rows[: PREAMBLE + 2]):
        known = [c for c in row if c.strip()]
        numbers = sum(_number(c, comma) is not None for c in known)
        if known and numbers >= max(1, len(known) - 1) and numbers:
            return i
    return None


def _commas(rows: list[list[str]]) -> bool:
    """Whether decimals have commas, as they may where columns are parted by something else."""
    flat = [c.strip() for row in rows[:50] for c in row]
    with_comma = sum(c.count(",") == 1 and _number(c, True) is not None for c in flat)
    return with_comma > sum("." in c and _number(c, False) is not None for c in flat)


def _number(cell: str, comma: bool) -> float | None:
    try:
        return float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return None


def _axes(named: list[Heading]) -> bool:
    """Whether axes stand over and over, so that their labels must be in the line above."""
    means = [h.means for h in named if h.label is None]
    return means.count("x") > 1 or means.count("u") > 1


def _two_lines(labels: list[str], named: list[Heading]) -> list[Heading]:
    """Headings whose labels stand in the line above, each over the first of its axes."""
    joined, label = [], ""
    for i, heading in enumerate(named):
        over = labels[i].strip() if i < len(labels) else ""
        label = over or label
        if heading.means in ("x", "y", "z", "u", "v") and label:
            text = f"{label} {heading.text}"
            heading = Heading(text, heading.name, heading.unit, heading.means, label)
        joined.append(heading)
    return joined
