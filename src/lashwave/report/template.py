"""HTML templates of this room: each fills the blocks of `shell.html`, `page.css` inside."""

from __future__ import annotations

from importlib import resources
from typing import Any


def text_of(name: str) -> str:
    """A file of this room."""
    return resources.files("lashwave.report").joinpath(name).read_text(encoding="utf-8")


def render(name: str, *, kind: str, title: str, facts: str, **fields: Any) -> str:
    """A page as HTML that needs no network; every text is escaped.

    Parameters
    ----------
    name : of the template.
    kind, title, facts : what the page is, of what, and from what.
    fields : whatever else the template names.
    """
    from jinja2 import Environment, FunctionLoader, StrictUndefined
    from markupsafe import Markup

    engine = Environment(
        loader=FunctionLoader(text_of), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    css = Markup(text_of("page.css"))
    return engine.get_template(name).render(kind=kind, title=title, facts=facts, css=css, **fields)
