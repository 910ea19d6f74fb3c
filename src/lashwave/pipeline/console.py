"""What a person at a terminal sees: progress on standard error, tables on standard output."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from lashwave.pipeline.stopping import heed

Progress = Callable[[str, float], None]
"""Called with a stage's name and the share done, 0 to 1."""


def silent(stage: str, share: float) -> None:
    """A progress that shows nothing; it stops where the user asked to."""
    heed()


@contextmanager
def progress(quiet: bool = False) -> Iterator[Progress]:
    """A progress bar on standard error where that is a terminal, else nothing."""
    if quiet or not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        task = bars.add_task("reading", total=1.0)

        def show(stage: str, share: float) -> None:
            heed()
            bars.update(task, description=stage, completed=min(max(share, 0.0), 1.0))

        yield show


def say(text: str = "") -> None:
    """One line on standard output, as it is."""
    print(text)


def table(title: str, headings: list[str], rows: list[list[str]]) -> None:
    """A table on standard output: drawn on a terminal, plain columns elsewhere.

    Plain columns are not folded, so that a log keeps one row a line.
    """
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.markup import escape
        from rich.table import Table

        drawn = Table(title=escape(title), title_justify="left")
        for heading in headings:
            drawn.add_column(heading, overflow="fold")
        for row in rows:
            drawn.add_row(*(escape(cell) for cell in row))
        Console().print(drawn)
        return
    widths = [max(len(row[i]) for row in [headings, *rows]) for i in range(len(headings))]
    say(title)
    for row in [headings, *rows]:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        say("  " + "  ".join(cells).rstrip())
