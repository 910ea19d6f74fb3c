"""The report as a paper: vector figures, numbered equations, captions, tables, one PDF."""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave.report import words

if TYPE_CHECKING:
    from lashwave.report.page import Content


def render(content: Content) -> bytes:
    """The paper as PDF bytes; fonts and figures inside, nothing fetched.

    Typeset by Typst from `paper.typ`, which takes everything as data, so that no text of the
    user's is read as markup.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="lashwave-paper-") as name:
        folder = Path(name)
        source = resources.files("lashwave.report").joinpath("paper.typ")
        with resources.as_file(source) as file:
            shutil.copyfile(file, folder / "paper.typ")
        (folder / "content.json").write_text(json.dumps(_data(content)), encoding="utf-8")
        for chapter in content.chapters:
            for figure in chapter.figures:
                (folder / f"figure-{figure.number}.pdf").write_bytes(figure.pdf)
        made = typst.compile(str(folder / "paper.typ"), root=str(folder), ignore_system_fonts=True)
    assert isinstance(made, bytes)  # one document, not a list of pages
    return made


def _where(numbers: list[int]) -> str:
    """In which figures a chapter stands that has no words of its own."""
    if len(numbers) < 2:
        return "".join(f"Shown in figure {number}." for number in numbers)
    return f"Shown in figures {numbers[0]} to {numbers[-1]}."


def _data(content: Content) -> dict[str, Any]:
    """What `paper.typ` reads."""
    return {
        "title": content.trial.name,
        "facts": content.facts,
        "cards": [asdict(card) for card in content.cards],
        "warnings": list(content.warnings),
        "chapters": [
            {
                "title": chapter.title,
                "text": chapter.text,
                "where": _where([figure.number for figure in chapter.figures]),
                "table": None if chapter.table is None else asdict(chapter.table),
                "figures": [
                    {"file": f"figure-{figure.number}.pdf", "caption": figure.caption}
                    for figure in chapter.figures
                ],
            }
            for chapter in content.chapters
        ],
        "groups": [
            {"name": name, "rows": [asdict(row) for row in rows]} for name, rows in content.groups
        ],
        "methods": words.METHODS,
        "sources": list(words.SOURCES),
        "cautions": [{"about": about, "text": text} for about, text in words.CAUTIONS],
        "provenance": [list(pair) for pair in content.provenance],
        "hashes": [list(pair) for pair in content.hashes],
    }
