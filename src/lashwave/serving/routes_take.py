"""Routes to take things away: lists as CSV, the report, answers as one archive, a film."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from lashwave.quantities import csv_lines
from lashwave.serving.detail import events
from lashwave.serving.film_plan import plan
from lashwave.serving.opened import Answered, Opened, Reader
from lashwave.serving.replies import Refused, answer, not_found
from lashwave.serving.server_state import sent, state
from lashwave.serving.sightings_pack import clock_of

if TYPE_CHECKING:
    import xarray as xr

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
    body = csv_of(state(request).reader, answers, name)
    return Response(body, media_type="text/csv", headers=_named(f"{opened.id}-{name}.csv"))


def report(request: Request) -> Response:
    """The report, as a page or as PDF."""
    opened, answers = _answered(request)
    if request.url.path.endswith(".pdf"):
        line = "these answers hold no report.pdf: run the trial again with a version that writes it"
        file = file_of(answers, "report.pdf", line)
        headers = _named(f"{opened.id}-report.pdf")
        return FileResponse(file, media_type="application/pdf", headers=headers)
    file = file_of(answers, "report.html", "these answers hold no report.html")
    headers = {"Content-Security-Policy": _REPORT_POLICY, "X-Frame-Options": "SAMEORIGIN"}
    return FileResponse(file, media_type="text/html", headers=headers)


async def answers_zip(request: Request) -> Response:
    """All answer files."""
    opened, answers = await run_in_threadpool(_answered, request)
    async with state(request).archives:
        whole = await run_in_threadpool(archive, answers, opened.id)
    body = pieces(whole)
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
        "events": [
            {"name": e["name"], "time": e["time"]}
            for e in events(opened, answers.summary.get("quantities", {}))
        ],
        "beside": _camera_of(opened, answers, body.get("camera")),
        **plan(body),
    }
    return answer({"run": s.runs.start(opened.id, "film", what, out).id}, 202)


def _camera_of(opened: Opened, answers: Answered, name: Any) -> dict[str, Any] | None:
    """What a film needs to show a camera's pictures beside the line; None where none are wanted.

    Raises Refused (422) for a camera that the trial has not.
    """
    if not name:
        return None
    camera = next((c for c in opened.trial.cameras if c.name == name), None)
    if camera is None:
        raise Refused(422, f"trial {opened.id} has no camera {str(name)[:60]!r}", "camera")
    offset, drift, _ = clock_of(camera, answers)
    return {"trial": str(opened.path), "name": camera.name, "rate": camera.rate,
            "offset": offset, "drift": drift}  # fmt: skip


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


PIECE = 1 << 20
TAKEN = ("motion.nc", "samples.nc", "answers.nc", "summary.json", "report.html", "report.pdf")


def csv_of(reader: Reader, answers: Answered, name: str) -> str:
    """A list of answers.nc or a variable of motion.nc as CSV, SI, units in the headings.

    A row a time (or station) with the interval or standard deviation beside each value, where the
    answers have one; over time and station a column a station; over axes a column an axis too.

    Raises Refused (404) for a list that there is not.
    """
    motion, lists = reader.motion(answers)
    source = lists if name in lists.data_vars else motion
    if name not in source.data_vars:
        known = ", ".join(sorted(map(str, [*lists.data_vars, *motion.data_vars])))
        raise not_found(f"there is no list {name[:60]!r}; there are {known}")
    unit = source[name].attrs.get("units", "1")
    parts = [n for n in (name, *(f"{name}_{end}" for end in ("sd", "low", "high"))) if n in source]
    first, *others = (str(d) for d in source[name].dims)
    along = _labels(source, first)
    heads, columns = [], []
    for index in np.ndindex(*(source.sizes[d] for d in others)):
        at = "".join(_place(source, d, i) for d, i in zip(others, index, strict=True))
        for part in parts:
            heads.append(f"{part}{at} [{unit}]")
            columns.append(source[part].values[(slice(None), *index)])
    units = source[first].attrs.get("units") if first in source.coords else None
    head = [f"{first} [{units}]" if units else first, *heads]
    rows = ([label, *(_cell(c[k]) for c in columns)] for k, label in enumerate(along))
    return "".join(csv_lines(chain([head], rows)))


def _labels(source: xr.Dataset, dim: str) -> list[str]:
    """What stands in front of each row: the coordinate, or a number where there is none."""
    if dim not in source.coords:
        return [str(k) for k in range(source.sizes[dim])]
    values = source[dim].values
    return [repr(float(v)) if values.dtype.kind in "fiu" else str(v) for v in values]


def _place(source: xr.Dataset, dim: str, index: int) -> str:
    """The part of a column's heading that says at which station or along which axis it is."""
    if dim not in source.coords:
        return f" {dim} {index}"
    value = source[dim].values[index]
    return f" at {value:g} m" if source[dim].values.dtype.kind in "fiu" else f" {value}"


def _cell(value: float) -> str:
    """A number that reads back the same; empty where there is none."""
    return repr(float(value)) if np.isfinite(value) else ""


def archive(answers: Answered, name: str) -> IO[bytes]:
    """A zip of the answer files in a temporary file, at its start; nothing is packed twice."""
    stream = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it was sent
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as packed:
        for file in TAKEN:
            path = answers.path / file
            if path.is_file() and not path.is_symlink():
                packed.write(path, f"{name}/{file}")
    stream.seek(0)
    return stream


def pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """What a file holds, bit by bit; closed at the end."""
    with stream:
        while block := stream.read(PIECE):
            yield block


def file_of(answers: Answered, name: str, otherwise: str) -> Path:
    """A file among the answers; raises Refused (404) with a line where it is not there."""
    path = answers.path / name
    if not path.is_file() or path.is_symlink():
        raise not_found(otherwise)
    return path
