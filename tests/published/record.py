"""A number of the program held against one from outside, and what that leaves in the docs.

Each check names its quantity, its source, whether the source was seen, and its tolerance. What was
measured is kept, so that `make validation` can write the table of `docs/validation.md`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

PAGE = Path(__file__).parents[2] / "docs" / "validation.md"
BEGIN, END = "<!-- written by `make validation` -->\n", "<!-- end of what is written -->\n"


@dataclass(frozen=True)
class Source:
    """Where a number is from, and how it is known."""

    name: str
    seen: str
    """read, quoted (elsewhere), recalled (from memory) or derived (here, and computed)."""


def read(name: str) -> Source:
    """The number was seen in the source itself, its abstract or an excerpt."""
    return Source(name, "read")


def quoted(name: str) -> Source:
    """The number was seen where another publication or public code quotes it."""
    return Source(name, "quoted")


def recalled(name: str) -> Source:
    """The number is from memory; the source was not seen."""
    return Source(name, "recalled")


def derived(name: str) -> Source:
    """The number follows from the law named, by a derivation of our own, and was computed."""
    return Source(name, "derived")


@dataclass
class Row:
    """One line of the table: the worst of all its comparisons."""

    quantity: str
    source: Source
    tolerance: str
    test: str
    result: str = ""
    share: float = -1.0
    """Largest error over its tolerance."""


@dataclass
class Record:
    """All rows of one run, in the order of the tests."""

    rows: dict[tuple[str, str], Row] = field(default_factory=dict)

    def put(self, row: Row) -> None:
        kept = self.rows.setdefault((row.test, row.quantity), row)
        if row.share > kept.share:
            self.rows[row.test, row.quantity] = row

    def table(self) -> str:
        """The rows as a table of the docs."""
        lines = ["| quantity | published source | number | tolerance | found | test |"]
        lines.append("|---|---|---|---|---|---|")
        for row in sorted(self.rows.values(), key=lambda row: row.test):
            cells = (row.quantity, row.source.name, row.source.seen, row.tolerance, row.result)
            lines.append(f"| {' | '.join(cells)} | `{row.test}` |")
        return "\n".join(lines) + "\n"

    def write(self) -> None:
        """Put the table into the page, between its two marks."""
        text = PAGE.read_text(encoding="utf-8")
        head, rest = text.split(BEGIN)
        tail = rest.split(END)[1]
        PAGE.write_text(f"{head}{BEGIN}\n{self.table()}\n{END}{tail}", encoding="utf-8")


@dataclass
class Check:
    """Comparisons of one test."""

    record: Record
    test: str

    def __call__(
        self,
        quantity: str,
        found: ArrayLike,
        expected: ArrayLike,
        source: Source,
        *,
        rel: float | None = None,
        abs: float | None = None,
        unit: str = "",
    ) -> None:
        """Hold found values (...,) to expected ones, within `rel` of each or within `abs`."""
        assert (rel is None) != (abs is None)
        found, expected = np.broadcast_arrays(np.asarray(found, float), np.asarray(expected, float))
        assert found.size
        error = np.abs(found - expected)
        if rel is not None:
            error = error / np.abs(expected)
        bound = abs if rel is None else rel
        worst = float(error.max()) if np.isfinite(error).all() else np.inf

        def say(x: float) -> str:
            return f"{x:.2g} {unit}".strip() if rel is None else f"{100 * x:.2g} %"

        self.record.put(
            Row(quantity, source, say(bound), self.test, f"{say(worst)} off", worst / bound)
        )
        assert worst <= bound, f"{quantity}: {found} is not {expected}, {say(worst)} off"

    def within(
        self,
        quantity: str,
        found: ArrayLike,
        low: ArrayLike,
        high: ArrayLike,
        source: Source,
        unit: str = "",
    ) -> None:
        """Hold found values (...,) between bounds."""
        found, low, high = (np.ravel(x) for x in np.broadcast_arrays(found, low, high))
        assert found.size
        share = np.abs(found - 0.5 * (low + high)) / (0.5 * (high - low))
        k = int(np.argmax(share))
        bounds = f"{low[k]:.3g} to {high[k]:.3g} {unit}".strip()
        said = f"{found[k]:.3g} {unit}".strip()
        self.record.put(Row(quantity, source, bounds, self.test, said, float(share[k])))
        assert np.all((low <= found) & (found <= high)), f"{quantity}: {found}, not {low} to {high}"
