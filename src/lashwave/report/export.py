"""A figure or a table as a file of its own."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from io import BytesIO, StringIO
from typing import TYPE_CHECKING

from lashwave.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def figure_file(figure: Figure, kind: str) -> bytes:
    """The figure as "svg" or "pdf", or as "png" on white; the same every time.

    Vectors and text of the first two can be edited.
    """
    from matplotlib import rc_context

    out = BytesIO()
    undated = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    paper = "white" if kind == "png" else "none"
    with rc_context({**style.RULES, "svg.fonttype": "none", "pdf.fonttype": 42}), style.quiet():
        style.laid_out(figure)
        figure.savefig(out, format=kind, dpi=style.DOTS_PER_INCH, metadata=undated, facecolor=paper)
    return out.getvalue()


def table_file(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    """Comma-separated values, RFC 4180; a missing value is an empty cell, a number in full."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(headings)
    for row in rows:
        writer.writerow(["" if c is None else repr(c) if isinstance(c, float) else c for c in row])
    return out.getvalue().encode()
