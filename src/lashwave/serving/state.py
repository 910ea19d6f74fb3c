"""What all routes share."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from starlette.requests import Request

from lashwave.serving.hub import Hub
from lashwave.serving.later import Later
from lashwave.serving.library import Library
from lashwave.serving.mending import Mending
from lashwave.serving.opened import Reader
from lashwave.serving.pictures import Pictures
from lashwave.serving.refusal import Refused
from lashwave.serving.runs import Runs


@dataclass(frozen=True)
class State:
    """The served folder and everything that looks after it."""

    library: Library
    reader: Reader
    pictures: Pictures
    mending: Mending
    hub: Hub
    runs: Runs
    later: Later


def make_state(folder: Path) -> State:
    """The state of a server of this folder."""
    library, hub = Library(folder), Hub()
    reader = Reader(library)
    return State(library, reader, Pictures(reader), Mending(library), hub, Runs(hub), Later(hub))


def state(request: Request) -> State:
    """The state of the server that got a request."""
    return cast(State, request.app.state.lashwave)


async def sent(request: Request, *, empty: bool = False) -> dict[str, Any]:
    """The JSON object of a request's body; Refused (400) where it is none."""
    body = await request.body()
    if not body and empty:
        return {}
    try:
        value = json.loads(body)
    except (ValueError, RecursionError):
        raise Refused(400, "the request's body is no JSON") from None
    if not isinstance(value, dict):
        raise Refused(400, "the request's body is no JSON object")
    return value
