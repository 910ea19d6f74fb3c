"""CSV as text (RFC 4180): the one place where lines become cells, and cells become lines."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence


def cells_of(lines: Iterable[str], separator: str = ",", *, strict: bool = True) -> Iterator[list]:
    """The cells of each line, as texts.

    strict : a row is one line, and quotes stand as the RFC has them. Else quotes may stand
        anywhere, and a row may run on over lines, as some programs export them.

    Raises
    ------
    ValueError
        At the row that is no CSV, after the rows before it.
    """
    reader = csv.reader(lines, delimiter=separator, strict=strict)
    try:
        for number, row in enumerate(reader, 1):
            if strict and reader.line_num != number:
                raise ValueError("a quote is not closed on its line")
            yield row
    except csv.Error as error:
        unclosed = strict and "unexpected end" in str(error)
        raise ValueError("a quote is not closed" if unclosed else str(error)) from None


def csv_lines(rows: Iterable[Sequence[object]]) -> Iterator[str]:
    """Each row as a line that ends in LF, quoted where it must be."""
    writer = csv.writer(_Echo(), lineterminator="\n")
    for row in rows:
        yield writer.writerow(row)  # type: ignore[misc]  # what `write` returns


class _Echo:
    """A file that hands each line back."""

    def write(self, line: str) -> str:
        return line
