"""A figure or a table as a file of its own."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from itertools import chain
from typing import TYPE_CHECKING

from lashwave.quantities import csv_lines
from lashwave.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


FORMULA = tuple("=+-@\t\r")
"""Text that begins so is a formula to a spreadsheet."""
DOTS_PER_INCH = 170
"""Of what is stored as an image inside a figure."""


MEASURED = 300
"""Dots an inch at which a figure's words are measured: at a hundred, letters that are fitted to
dots come out narrower than they are drawn, and long names would be cut."""


def figure_file(
    figure: Figure, kind: str, *, editable: bool = True, dpi: int = DOTS_PER_INCH
) -> bytes:
    """The figure as "svg" or "pdf", or as "png" on white; the same every time.

    editable : text of an "svg" stays text; else it is drawn, and looks the same everywhere.
    """
    from matplotlib import rc_context

    out = BytesIO()
    undated = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    paper = "white" if kind == "png" else "none"
    rules = {**style.RULES, "svg.fonttype": "none" if editable else "path"}
    with rc_context(rules), quiet():
        # Once is enough; saving would lay the figure out again each time.
        if (layout := figure.get_layout_engine()) is not None:
            coarse = figure.dpi
            figure.set_dpi(MEASURED)
            layout.execute(figure)
            figure.set_dpi(coarse)
            figure.set_layout_engine("none")
        figure.savefig(out, format=kind, dpi=dpi, metadata=undated, facecolor=paper)
    return out.getvalue()


def svg_in_page(figure: Figure, name: str) -> str:
    """A figure as an SVG element that can stand in a page beside others.

    Its text takes the page's colour, and its inner names start with `name`, so that no two
    figures of one page refer to each other's parts.
    """
    text = figure_file(figure, "svg", editable=False).decode()
    text = re.sub(r"<!--.*?-->", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = text.replace("<svg ", '<svg aria-hidden="true" ', 1)
    return re.sub(r"\n\s*\n+", "\n", text.replace(style.INK, "currentColor"))


@contextmanager
def quiet() -> Iterator[None]:
    """Silence warnings that a reader of the page can do nothing about.

    They are of a glyph that the typeface lacks (drawn as a box), and of limits widened to keep
    one scale in all views.
    """
    import logging
    import warnings

    log = logging.getLogger("matplotlib.axes._base")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph .* missing")
            yield
    finally:
        log.setLevel(before)


def _cell(value: object) -> object:
    """A number in full; text that a spreadsheet would run as a formula behind an apostrophe.

    The characters are those of the OWASP page on CSV injection.
    """
    if isinstance(value, str):
        return f"'{value}" if value[:1] in FORMULA else value
    return "" if value is None else repr(value) if isinstance(value, float) else value


def table_file(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """Comma-separated values, RFC 4180; a missing value is an empty cell, a number in full."""
    cells = ([_cell(c) for c in row] for row in rows)
    return "".join(csv_lines(chain([headings], cells))).encode()
