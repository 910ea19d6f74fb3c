"""The page of `lashwave law`: what-if sliders by the equation, and brushed throws."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib import resources
from typing import Any

from lashwave import __version__


def page(data: Mapping[str, Any], throws: int) -> str:
    """HTML that needs no network.

    Parameters
    ----------
    data : of `study.law_text.page_data`. throws : that the law was fitted to.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    home = resources.files("lashwave.report")

    def text(name: str) -> str:
        return home.joinpath(name).read_text(encoding="utf-8")

    engine = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    body = json.dumps(data, allow_nan=False).replace("<", "\\u003c")
    return engine.from_string(text("law.html")).render(
        facts=f"Fitted to {throws} throws of the forward engine",
        count=len(data["throws"]["peak_speed"]),
        data=Markup(body),
        css=Markup(text("page.css")),
        script=Markup(text("law_page.js")),
        version=__version__,
    )
