"""One page over several trials: sentences, a figure and a table a chapter; needs no network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any

from lashwave import __version__
from lashwave.report import export

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
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    home = resources.files("lashwave.report")
    engine = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = engine.from_string(home.joinpath("study.html").read_text(encoding="utf-8"))
    drawn: list[dict[str, Any]] = []
    for number, chapter in enumerate(chapters, 1):
        picture = ""
        if chapter.figure is not None:
            picture = Markup(export.svg_in_page(chapter.figure, f"f{number}"))
        drawn.append({**vars(chapter), "svg": picture})
    return template.render(
        kind=kind,
        title=title,
        facts=facts,
        warnings=list(warnings),
        chapters=drawn,
        css=Markup(home.joinpath("page.css").read_text(encoding="utf-8")),
        version=__version__,
    )
