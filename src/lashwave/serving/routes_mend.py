"""Routes that change things: mends, runs, and news of both."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from lashwave.serving.before import keep_before
from lashwave.serving.replies import answer
from lashwave.serving.server_state import sent, state

STREAM = "text/event-stream"


def _tagged(record: dict) -> Response:  # type: ignore[type-arg]
    return answer(record, headers={"ETag": f'"{record["etag"]}"'})


def mends(request: Request) -> Response:
    """The list of a trial's mends."""
    return _tagged(state(request).mending.get(request.path_params["trial"]))


async def put_mends(request: Request) -> Response:
    """Replace the list; the body is {"mends": [...]}."""
    s, name = state(request), request.path_params["trial"]
    body, tag = await sent(request), request.headers.get("if-match")
    record = await run_in_threadpool(s.mending.put, name, body.get("mends"), tag)
    s.hub.tell("mends", name)
    return _tagged(record)


async def turn_mends(request: Request) -> Response:
    """Undo or redo."""
    s, name = state(request), request.path_params["trial"]
    turn = s.mending.undo if request.url.path.endswith("/undo") else s.mending.redo
    record = await run_in_threadpool(turn, name, request.headers.get("if-match"))
    s.hub.tell("mends", name)
    return _tagged(record)


async def start_run(request: Request) -> Response:
    """Reconstruct a trial."""
    s, name = state(request), request.path_params["trial"]
    await sent(request, empty=True)
    trial, out = s.library.trial(name), s.library.own_answers(name)
    s.library.mends(name)
    await run_in_threadpool(keep_before, s.library, name)
    what = {"kind": "reconstruct", "trial": str(trial), "out": str(out)}
    return answer({"run": s.runs.start(name, "reconstruct", what, out).id}, 202)


async def run(request: Request) -> Response:
    """How far a run is."""
    return answer(state(request).runs.get(request.path_params["run"]).record())


async def run_events(request: Request) -> Response:
    """The same whenever it changes."""
    s = state(request)
    found = s.runs.get(request.path_params["run"])
    return StreamingResponse(s.runs.events(found), media_type=STREAM)


async def cancel_run(request: Request) -> Response:
    """Stop a run."""
    s = state(request)
    found = s.runs.get(request.path_params["run"])
    await s.runs.cancel(found)
    return answer(found.record())


async def news(request: Request) -> Response:
    """What changes, for every open page."""
    return StreamingResponse(state(request).hub.events(), media_type=STREAM)


routes = [
    Route("/api/trials/{trial}/mends", mends, methods=["GET"]),
    Route("/api/trials/{trial}/mends", put_mends, methods=["PUT"]),
    Route("/api/trials/{trial}/mends/undo", turn_mends, methods=["POST"]),
    Route("/api/trials/{trial}/mends/redo", turn_mends, methods=["POST"]),
    Route("/api/trials/{trial}/run", start_run, methods=["POST"]),
    Route("/api/runs/{run}", run, methods=["GET"]),
    Route("/api/runs/{run}", cancel_run, methods=["DELETE"]),
    Route("/api/runs/{run}/events", run_events, methods=["GET"]),
    Route("/api/events", news, methods=["GET"]),
]
