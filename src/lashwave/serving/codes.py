"""Codes that open the pages once: what stands in the list of processes is of no use afterwards."""

from __future__ import annotations

import secrets
import threading
import time

LASTS = 60.0
"""How long a code that nobody used opens the pages [s]."""


class Codes:
    """Codes given out and not yet used."""

    def __init__(self) -> None:
        self._until = dict[str, float]()
        self._lock = threading.Lock()

    def new(self) -> str:
        """A code that is good once."""
        code = secrets.token_urlsafe(16)
        with self._lock:
            self._until[code] = time.monotonic() + LASTS
        return code

    def take(self, code: str) -> bool:
        """Whether a code is good; it is not any more afterwards."""
        with self._lock:
            until = self._until.pop(code, 0.0)
        return time.monotonic() < until
