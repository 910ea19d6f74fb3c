"""What a page need not wait for: done one after another in the background, then told."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable

from lashwave.quantities import LashwaveError
from lashwave.serving.hub import Hub
from lashwave.serving.refusal import Refused


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
