"""How long the server waits for a request that was begun: half a request holds nothing for ever."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADERS = 10.0
"""From the first byte of a request, or the connection, to the end of its headers [s]."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes a connection whose headers do not come to an end in time."""

    wait = HEADERS
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._await_headers()

    def data_received(self, data: bytes) -> None:
        """Read on; the wait is over once the headers are whole, and begins with the next ones."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._end_wait()
        elif self._waiting is None:
            self._await_headers()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is left to wait for."""
        self._end_wait()
        super().connection_lost(exc)

    def _await_headers(self) -> None:
        self._waiting = self.loop.call_later(self.wait, self._too_late)

    def _end_wait(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _too_late(self) -> None:
        self._waiting = None
        busy = self.cycle is not None and not self.cycle.response_complete
        if not busy and not self.transport.is_closing():
            self.transport.close()
