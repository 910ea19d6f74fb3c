"""One page over several trials: sentences, a figure and a table a chapter; needs no network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from lashwave import __version__
from lashwave.report import export, template

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Section:
    """A part of the page; every piece but the title may be absent."""

    title: str
    text: Sequence[str] = ()
    figure: Figure | None = None
    caption: str = ""
    headings: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = field(default_factory=tuple)
    words: bool = False
    """Whether the table holds words, which start at the left, and not numbers."""
    links: Sequence[str | None] = ()
    """Of each row, the page that its first cell leads to; none where empty."""


def render(
    kind: str, title: str, facts: str, chapters: Sequence[Section], warnings: Sequence[str] = ()
) -> str:
    """The page as HTML; every text is escaped."""
    from markupsafe import Markup

    drawn: list[dict[str, Any]] = []
    for number, chapter in enumerate(chapters, 1):
        picture = ""
        if chapter.figure is not None:
            picture = Markup(export.svg_in_page(chapter.figure, f"f{number}"))
        drawn.append({**vars(chapter), "svg": picture})
    return template.render(
        "study.html",
        kind=kind,
        title=title,
        facts=facts,
        warnings=list(warnings),
        chapters=drawn,
        version=__version__,
    )
