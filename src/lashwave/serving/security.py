"""What every request must show, and what every answer tells the browser.

A page of another site may make the browser send requests to loopback: by a name that it points
there (DNS rebinding), by forms, by images. The Host header must name loopback, the token must be
in the request (header, query, or a cookie that no other site's request carries), and a request
that a browser marks as coming from another origin is turned down.
Answers carry the headers of the OWASP HTTP headers cheat sheet that apply to loopback.

A code opens the pages once, so what stands in the list of processes is of no use afterwards. Half a
request is not waited for, so it holds nothing for ever.
"""

from __future__ import annotations

import asyncio
import hmac
import re
import secrets
import threading
import time
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from lashwave.serving.replies import answer

LARGEST_BODY = 4 << 20
"""Of a request [bytes]; a description may not be larger either."""
PATIENCE = 30.0
"""Between two pieces of a request's body [s]."""
_HOST = re.compile(r"(127\.0\.0\.1|localhost|\[::1\])(:\d{1,5})?", re.IGNORECASE)
_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; "
        "style-src 'self' 'unsafe-inline'; connect-src 'self'; object-src 'none'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}


class TooLarge(Exception):
    """A body went over its limit."""


class Guard:
    """Host, origin, token and size of each request; headers of each answer."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self._app, self._token = app, token.encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI: answers refusals itself, passes the rest on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        started = False

        async def tell_start(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            status, line = refusal
            await answer({"error": line, "field": None}, status)(scope, receive, tell_start)
            return
        try:
            await self._app(scope, _limited(receive), tell_start)
        except TooLarge:
            if not started:
                await _too_large()(scope, receive, tell_start)
        except TimeoutError:
            if not started:
                late = {"error": "the body of the request did not come", "field": None}
                await answer(late, 408)(scope, receive, tell_start)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and line where a request is turned down before anyone reads it."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not _HOST.fullmatch(hosts[0]):
            return 400, "the Host header names no loopback address; open the address as printed"
        origin = headers.get("origin")
        if origin is not None and origin.lower() != f"http://{hosts[0]}".lower():
            return 403, "the request comes from another origin"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return 403, "the request comes from another site"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > LARGEST_BODY:
            return 413, f"the request's body is over {LARGEST_BODY >> 20} MB"
        if scope["path"].startswith("/api") and not self._knows(scope, headers):
            return 401, "the token is wrong or missing; open the address that `lashwave open` says"
        return None

    def _knows(self, scope: Scope, headers: Headers) -> bool:
        """Whether the request carries the token; compared in constant time."""
        given = headers.get("x-lashwave-token") or cookie_of(headers)
        if given is None:
            try:
                query = parse_qs(scope["query_string"].decode("latin-1"), max_num_fields=50)
            except ValueError:  # more fields than any address of the pages has
                return False
            given = query.get("token", [""])[0]
        return hmac.compare_digest(given.encode("utf-8", "replace"), self._token)


def cookie_name(headers: Headers) -> str:
    """Of the token's cookie: browsers share cookies between ports, so each server has its own."""
    return f"lashwave-{headers.get('host', '').rpartition(':')[2] or '80'}"


def cookie_of(headers: Headers) -> str | None:
    """The token that the browser keeps for this server; None where it keeps none."""
    return cookie_parser(headers.get("cookie", "")).get(cookie_name(headers))


def _limited(receive: Receive) -> Receive:
    """The same body, cut by TooLarge where it says no length and goes on for ever."""
    seen, whole = 0, False

    async def counted() -> Message:
        nonlocal seen, whole
        # Once the body is there, who asks waits for the client to leave, as long as it takes.
        message = await asyncio.wait_for(receive(), None if whole else PATIENCE)
        whole = not message.get("more_body", False)
        seen += len(message.get("body", b""))
        if seen > LARGEST_BODY:
            raise TooLarge
        return message

    return counted


def _too_large() -> Response:
    return answer({"error": f"the body is over {LARGEST_BODY >> 20} MB", "field": None}, 413)


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


HEADERS = 10.0
"""From the first byte of a request, or the connection, to the end of its headers [s]."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes a connection whose headers or body do not come to an end in time."""

    wait = HEADERS
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._await_request()

    def data_received(self, data: bytes) -> None:
        """Read on; the wait is over once a request is whole, and begins with the next one."""
        super().data_received(data)
        if self._answering():
            self._end_wait()
        elif self._waiting is None:
            self._await_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is left to wait for."""
        self._end_wait()
        super().connection_lost(exc)

    def _answering(self) -> bool:
        """Whether a request is whole and its answer is not."""
        cycle = self.cycle
        return cycle is not None and not cycle.response_complete and not cycle.more_body

    def _await_request(self) -> None:
        self._waiting = self.loop.call_later(self.wait, self._too_late)

    def _end_wait(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _too_late(self) -> None:
        self._waiting = None
        if not self._answering() and not self.transport.is_closing():
            self.transport.close()
