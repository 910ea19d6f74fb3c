"""Tells every open page what changed, so that two tabs stay in step."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

QUIET = 15.0
"""After so long without news a comment is sent, which shows that the server is there [s]."""
LONGEST = 100
"""Messages that a page may be behind before it is told that everything changed."""


class Hub:
    """Server-sent events (HTML standard, section 9.2) to every listener."""

    def __init__(self) -> None:
        self._listeners = set[asyncio.Queue[bytes]]()

    def tell(self, what: str, trial: str | None = None) -> None:
        """Say that trials, mends, a run or answers changed; call it on the server's loop."""
        message = f"data: {json.dumps({'changed': [what], 'trial': trial})}\n\n".encode()
        for queue in self._listeners:
            if queue.qsize() < LONGEST:
                queue.put_nowait(message)

    async def events(self) -> AsyncIterator[bytes]:
        """What changes from now on."""
        queue: asyncio.Queue[bytes] = asyncio.Queue()
        self._listeners.add(queue)
        try:
            yield b"retry: 1000\n\n"
            while True:
                try:
                    yield await asyncio.wait_for(queue.get(), QUIET)
                except TimeoutError:
                    yield b": still here\n\n"
        finally:
            self._listeners.discard(queue)
