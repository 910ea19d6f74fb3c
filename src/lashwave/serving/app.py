"""The application: routes, errors as one line, and the pages."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from lashwave.files import sweep
from lashwave.quantities import InputError
from lashwave.serving import routes_mend, routes_new, routes_read, routes_take
from lashwave.serving.library import CACHE
from lashwave.serving.replies import Refused, answer
from lashwave.serving.security import Guard, TooLarge, cookie_name
from lashwave.serving.server_state import make_state, state

PAGES = Path(__file__).parent / "pages"
NOT_BUILT = (
    "The pages are not built. In a checkout of lashwave, `pip install -e .` builds them (make demo "
    "does so too); then open this address again.\n"
)


def make_app(folder: Path, token: str) -> Starlette:
    """The server of a folder of trials; every request to /api/ must carry the token."""

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        app.state.lashwave.later.loop = asyncio.get_running_loop()
        for place in (folder, folder / CACHE):  # what killed runs left
            sweep(place)
        yield
        await app.state.lashwave.runs.close()

    app = Starlette(
        routes=[*_api(), Route("/", _index), *_assets()],
        middleware=[Middleware(Guard, token=token)],
        exception_handlers={
            Refused: _refused,
            InputError: _at_fault,
            HTTPException: _plain_fault,
            TooLarge: _too_large,
            ClientDisconnect: _left,
            Exception: _unexpected,
        },
        lifespan=lifespan,
    )
    app.state.lashwave, app.state.token = make_state(folder), token
    return app


def _api() -> list[Route]:
    return [*routes_read.routes, *routes_mend.routes, *routes_take.routes, *routes_new.routes]


def _assets() -> list[Mount]:
    """The pages' scripts and styles; a file that is a link out of the folder is not served."""
    found = []
    for name in ("assets",):
        if (PAGES / name).is_dir():
            found.append(Mount(f"/{name}", StaticFiles(directory=PAGES / name)))
    return found


def _index(request: Request) -> Response:
    s, token = state(request), request.app.state.token
    code = request.query_params.get("code")
    given = request.query_params.get("token")
    if (code is not None and s.codes.take(code)) or (given is not None and _same(given, token)):
        # The token leaves the address: nobody reads it over a shoulder, in a link, in a history.
        response: Response = RedirectResponse("/", 303)
        response.set_cookie(cookie_name(request.headers), token, httponly=True, samesite="strict")
        return response
    page = PAGES / "index.html"
    if not page.is_file():
        return PlainTextResponse(NOT_BUILT, 503)
    return Response(page.read_bytes(), media_type="text/html")


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), token.encode())


async def _refused(request: Request, refused: Exception) -> Response:
    assert isinstance(refused, Refused)
    return answer(refused.record, refused.status)


async def _at_fault(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, InputError)
    return answer({"error": str(fault), "field": fault.field}, 422)


async def _plain_fault(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    known = {404: "there is nothing at this address", 405: "this address takes other methods"}
    line = known.get(fault.status_code, str(fault.detail))
    return answer({"error": line, "field": None}, fault.status_code)


async def _too_large(request: Request, fault: Exception) -> Response:
    return answer({"error": "the request's body is too large", "field": None}, 413)


async def _left(request: Request, fault: Exception) -> Response:
    """A client that left hears nothing; that is no error."""
    return Response(status_code=499)


async def _unexpected(request: Request, fault: Exception) -> Response:
    line = f"unexpected {type(fault).__name__}: {fault}"
    return answer({"error": " ".join(line.split())[:500], "field": None}, 500)
