"""Routes to take things away: CSV, report, archive, film."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from lashwave.serving import downloads
from lashwave.serving.film_plan import plan
from lashwave.serving.json_answer import answer
from lashwave.serving.opened import Answered, Opened
from lashwave.serving.refusal import Refused, not_found
from lashwave.serving.server_state import sent, state

_REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; "
    "frame-ancestors 'self'"
)
"""The report is one file that asks for nothing; no script of it runs within the pages' origin."""


def _answered(request: Request) -> tuple[Opened, Answered]:
    s = state(request)
    opened = s.reader.trial(request.path_params["trial"])
    return opened, s.reader.answered(opened)


def _named(name: str) -> dict[str, str]:
    """The header that makes a browser keep a file under this name (RFC 6266, RFC 8187)."""
    return {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}"}


def list_csv(request: Request) -> Response:
    """One list as CSV."""
    opened, answers = _answered(request)
    name = request.query_params.get("list", "")
    body = downloads.csv_of(state(request).reader, answers, name)
    return Response(body, media_type="text/csv", headers=_named(f"{opened.id}-{name}.csv"))


def report(request: Request) -> Response:
    """The report, as a page or as PDF."""
    opened, answers = _answered(request)
    if request.url.path.endswith(".pdf"):
        line = "these answers hold no report.pdf: run the trial again with a version that writes it"
        file = downloads.file_of(answers, "report.pdf", line)
        headers = _named(f"{opened.id}-report.pdf")
        return FileResponse(file, media_type="application/pdf", headers=headers)
    file = downloads.file_of(answers, "report.html", "these answers hold no report.html")
    headers = {"Content-Security-Policy": _REPORT_POLICY, "X-Frame-Options": "SAMEORIGIN"}
    return FileResponse(file, media_type="text/html", headers=headers)


async def answers_zip(request: Request) -> Response:
    """All answer files."""
    opened, answers = await run_in_threadpool(_answered, request)
    async with state(request).archives:
        whole = await run_in_threadpool(downloads.archive, answers, opened.id)
    body = downloads.pieces(whole)
    headers = _named(f"{opened.id}-answers.zip")
    return StreamingResponse(body, media_type="application/zip", headers=headers)


async def start_film(request: Request) -> Response:
    """Draw the line's motion as MP4.

    Raises Refused (403) where the folder cannot be written to.
    """
    body = await sent(request, empty=True)
    s, (opened, answers) = state(request), _answered(request)
    place = s.library.cache()
    if place is None:
        raise Refused(403, "the folder cannot be written to")
    out = place / f"{opened.id}.mp4"
    what: dict[str, Any] = {
        "kind": "film",
        "motion": str(answers.path / "motion.nc"),
        "out": str(out),
        "title": opened.trial.name,
        **plan(body),
    }
    return answer({"run": s.runs.start(opened.id, "film", what, out).id}, 202)


def result(request: Request) -> Response:
    """What a run made to take away.

    Raises Refused (404) where it made no film.
    """
    run = state(request).runs.get(request.path_params["run"])
    file = run.file
    if run.kind != "film" or run.state != "done" or file is None or not Path(file).is_file():
        raise not_found("this run has made no film")
    return FileResponse(file, media_type="video/mp4", headers=_named(f"{run.trial}.mp4"))


routes = [
    Route("/api/trials/{trial}/list.csv", list_csv),
    Route("/api/trials/{trial}/report.html", report),
    Route("/api/trials/{trial}/report.pdf", report),
    Route("/api/trials/{trial}/answers.zip", answers_zip),
    Route("/api/trials/{trial}/film", start_film, methods=["POST"]),
    Route("/api/runs/{run}/result", result),
]
