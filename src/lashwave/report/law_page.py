"""The page of `lashwave law`: what-if sliders by the equation, and brushed throws."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from lashwave import __version__
from lashwave.report import template


def page(data: Mapping[str, Any], throws: int) -> str:
    """HTML that needs no network.

    Parameters
    ----------
    data : of `study.law_text.page_data`. throws : that the law was fitted to.
    """
    from markupsafe import Markup

    body = json.dumps(data, allow_nan=False).replace("<", "\\u003c")
    return template.render(
        "law.html",
        kind="Many throws",
        title="Design law of the crack",
        facts=f"Fitted to {throws} throws of the forward engine",
        count=len(data["throws"]["peak_speed"]),
        data=Markup(body),
        script=Markup(template.text_of("law_page.js")),
        version=__version__,
    )
