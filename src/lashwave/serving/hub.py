"""Tells every open page what changed, so that two tabs stay in step.

What a page need not wait for is done in the background, one after another, and then announced.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections.abc import AsyncIterator, Callable

from lashwave.quantities import LashwaveError
from lashwave.serving.replies import Refused

QUIET = 15.0
"""After so long without news a comment is sent, which shows that the server is there [s]."""
LONGEST = 100
"""Messages that a page may be behind before it hears that everything changed."""


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


class Later:
    """One thread at a time; more work that is asked for meanwhile is left to the next asking."""

    def __init__(self, hub: Hub) -> None:
        self._hub, self._busy = hub, threading.Lock()
        self.loop: asyncio.AbstractEventLoop | None = None
        """The server's; news are told on it."""

    def submit(self, work: Callable[[], object], what: str) -> None:
        """Start `work` unless something else is under way, and tell `what` when it is done."""
        if self.loop is None or not self._busy.acquire(blocking=False):
            return
        threading.Thread(target=self._do, args=(work, what), daemon=True).start()

    def _do(self, work: Callable[[], object], what: str) -> None:
        try:
            # A trial that changed or broke meanwhile is the next list's business.
            with contextlib.suppress(LashwaveError, Refused, OSError):
                work()
        finally:
            self._busy.release()
        if self.loop is not None:
            with contextlib.suppress(RuntimeError):  # the server is closing
                self.loop.call_soon_threadsafe(self._hub.tell, what)
