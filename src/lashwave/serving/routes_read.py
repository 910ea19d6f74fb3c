"""Routes that look: trials, packs, pictures."""

from __future__ import annotations

import re
from itertools import islice
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from lashwave import __version__
from lashwave.quantities import cells_of
from lashwave.serving.camera_pictures import overlay
from lashwave.serving.detail import detail
from lashwave.serving.library import Library
from lashwave.serving.motion_pack import motion
from lashwave.serving.overview import broken, entry, residual_rms, thumbnail
from lashwave.serving.replies import Refused, answer, not_found
from lashwave.serving.server_state import state
from lashwave.serving.sightings_pack import sightings

_IMAGE = re.compile(r"(\d{1,9})(?:\.(png|webp))?")
PACK = "application/octet-stream"


async def ping(request: Request) -> Response:
    """Whether the server is there."""
    return answer({"alive": True, "version": __version__})


def trials(request: Request) -> Response:
    """The list."""
    s = state(request)
    rows: list[dict[str, Any]] = []
    late: list[str] = []
    trials = s.library.ids()
    for name in [*trials, *s.library.answer_folders()]:
        if name not in trials and any(row.get("answers_dir") == name for row in rows):
            continue  # they are shown with their trial
        try:
            row = entry(s.reader, name)
            if row["answered"]:
                rms = residual_rms(s.reader, name, now=False)
                row["residual_rms"] = rms
                if rms is not None and rms != rms:
                    late.append(name)
        except Refused as refused:
            row = broken(name, str(refused.record["error"]))
        except Exception as error:  # one folder's fault never takes the list away
            row = broken(name, str(error) or type(error).__name__)
        rows.append({**row, "running": s.runs.of(name) is not None})
    if late:
        s.later.submit(lambda: [residual_rms(s.reader, name, now=True) for name in late], "trials")
    return answer({"folder": s.library.folder.name, "trials": rows, "below": s.library.below(rows)})


CAMPAIGN = "campaign.csv"
MOST_ROWS = 5000


def campaigns(request: Request) -> Response:
    """Folders that hold the table of a campaign; "." is the served folder itself."""
    s = state(request)
    children = sorted(p.name for p in s.library.folder.iterdir() if p.is_dir())
    found = [name for name in (".", *children) if _campaign_table(s.library, name) is not None]
    return answer({"campaigns": found})


def campaign(request: Request) -> Response:
    """A campaign's table as it stands in its CSV: heads with units, rows of texts.

    Raises Refused (404) where there is none, (422) where it cannot be read.
    """
    s, name = state(request), request.path_params["name"]
    file = _campaign_table(s.library, name)
    if file is None:
        raise not_found(f"{name[:60]} holds no table of a campaign")
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(islice(cells_of(stream, strict=False), MOST_ROWS + 1))
    except (OSError, ValueError) as fault:
        raise Refused(422, f"{name}/{CAMPAIGN} cannot be read ({type(fault).__name__})") from None
    return answer({"name": name, "head": rows[0] if rows else [], "rows": rows[1:]})


def _campaign_table(library: Library, name: str) -> Path | None:
    try:
        folder = library.folder if name == "." else library.child(name)
    except Refused:
        return None
    file = folder / CAMPAIGN
    good = file.is_file() and not file.is_symlink() and not folder.is_symlink()
    return file if good else None


def trial(request: Request) -> Response:
    """One trial."""
    s = state(request)
    opened = s.reader.trial(request.path_params["trial"])
    run = s.runs.of(opened.id)
    record = detail(s.reader, s.pictures, opened)
    return answer({**record, "run": None if run is None else run.record()})


def small_picture(request: Request) -> Response:
    """The list's picture of a trial."""
    s = state(request)
    body = thumbnail(s.reader, s.reader.trial(request.path_params["trial"]))
    return Response(body, media_type="image/svg+xml")


def motion_pack(request: Request) -> Response:
    """The motion, at few times where that is asked for; nothing (204) without answers."""
    s = state(request)
    opened = s.reader.trial(request.path_params["trial"])
    if s.reader.answers(opened) is None:
        return Response(status_code=204)
    few = request.query_params.get("few") == "1"
    return Response(motion(s.reader, opened, few), media_type=PACK)


def sightings_pack(request: Request) -> Response:
    """What was seen."""
    s = state(request)
    body = sightings(s.reader, s.reader.trial(request.path_params["trial"]))
    return Response(body, media_type=PACK)


def overlay_pack(request: Request) -> Response:
    """The line in a camera's images; nothing (204) where there are no answers."""
    s = state(request)
    opened = s.reader.trial(request.path_params["trial"])
    if s.reader.answers(opened) is None:
        return Response(status_code=204)
    name = request.query_params.get("camera", "")
    return Response(overlay(s.reader, s.pictures, opened, name), media_type=PACK)


def frame(request: Request) -> Response:
    """One picture of a camera.

    Raises Refused (404) for what is no number.
    """
    s = state(request)
    opened = s.reader.trial(request.path_params["trial"])
    match = _IMAGE.fullmatch(request.path_params["frame"])
    if match is None:
        raise not_found("a picture is asked for by its number")
    kind = match.group(2) or "png"
    body = s.pictures.image(opened, request.path_params["camera"], int(match.group(1)), kind)
    held = {"Cache-Control": "private, max-age=3600"}
    return Response(body, media_type=f"image/{kind}", headers=held)


routes = [
    Route("/api/ping", ping),
    Route("/api/trials", trials),
    Route("/api/campaigns", campaigns),
    Route("/api/campaigns/{name}", campaign),
    Route("/api/trials/{trial}", trial),
    Route("/api/trials/{trial}/thumbnail.svg", small_picture),
    Route("/api/trials/{trial}/motion", motion_pack),
    Route("/api/trials/{trial}/sightings", sightings_pack),
    Route("/api/trials/{trial}/overlay", overlay_pack),
    Route("/api/trials/{trial}/frames/{camera}/{frame}", frame),
]
