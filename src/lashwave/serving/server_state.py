"""What all routes share."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from starlette.requests import Request

from lashwave.serving.camera_pictures import CameraPictures
from lashwave.serving.hub import Hub, Later
from lashwave.serving.library import Library
from lashwave.serving.mending import Mending
from lashwave.serving.opened import Reader
from lashwave.serving.replies import Refused
from lashwave.serving.runs import ServedRuns
from lashwave.serving.security import Codes

ARCHIVES = 2


@dataclass(frozen=True)
class ServerState:
    """The served folder and everything that looks after it."""

    library: Library
    reader: Reader
    pictures: CameraPictures
    mending: Mending
    hub: Hub
    runs: ServedRuns
    later: Later
    archives: asyncio.Semaphore
    """Archives packed at one time: more would take every thread from the other requests."""
    codes: Codes


def make_state(folder: Path) -> ServerState:
    """The state of a server of this folder."""
    library, hub = Library(folder), Hub()
    reader, runs, later = Reader(library), ServedRuns(hub), Later(hub)
    pictures, mending = CameraPictures(reader), Mending(library)
    archives = asyncio.Semaphore(ARCHIVES)
    return ServerState(library, reader, pictures, mending, hub, runs, later, archives, Codes())


def state(request: Request) -> ServerState:
    """The state of the server that got a request."""
    return cast(ServerState, request.app.state.lashwave)


async def sent(request: Request, *, empty: bool = False) -> dict[str, Any]:
    """The JSON object of a request's body; raises Refused (400) where it is none."""
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
