"""Routes that make a new trial of instrument files in a folder of DIR."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from lashwave.intake import new_trial as assemble, propose, recognise
from lashwave.serving.replies import Refused, answer, not_found
from lashwave.serving.server_state import ServerState, sent, state

Units = dict[str, dict[str, str]]
OURS = ("summary.json", "truth.json", "births.json", "campaign.csv")
"""Mark folders that this program wrote: answers, the truth of a simulation, a campaign."""


def source_of(s: ServerState, path: Any) -> Path:
    """A folder of DIR, or within one, by its relative path.

    Raises Refused (404 where it leaves DIR or is not there, 422 for what is no text).
    """
    if not isinstance(path, str):
        raise Refused(422, "path is no text", "path")
    parts = [p for p in path.split("/") if p not in ("", ".")]
    found = s.library.folder
    for part in parts:
        found = s.library.child(part) if found == s.library.folder else found / part
        if part.startswith(".") or "\\" in part or not part.isprintable() or found.is_symlink():
            raise not_found(f"there is no folder {path[:80]!r}")
    if not parts or not found.is_dir():
        raise not_found(f"there is no folder {path[:80]!r}; name one inside the folder served")
    return found


def units_of(body: dict[str, Any]) -> Units:
    """Units that the user states: {file: {heading: unit}}.

    Raises Refused (422) for what is shaped otherwise.
    """
    units = body.get("units", {})
    good = isinstance(units, dict) and all(
        isinstance(u, dict) and all(isinstance(v, str) for v in u.values()) for u in units.values()
    )
    if not good:
        raise Refused(422, "units is not {file: {heading: unit}}", "units")
    return units  # type: ignore[no-any-return]


def folders(request: Request) -> Response:
    """Folders of DIR that hold what instruments write, by its ending, and are no trial."""
    s = state(request)
    trials = set(s.library.ids())
    found = []
    for path in sorted(s.library.folder.iterdir()):
        usable = path.is_dir() and not path.is_symlink() and not path.name.startswith(".")
        if usable and path.name not in trials and not any((path / n).is_file() for n in OURS):
            count = recognise.count_known(path)
            found += [{"path": path.name, "files": count}] if count else []
    return answer({"folders": found})


async def inspect(request: Request) -> Response:
    """What the files of a folder are."""
    body, s = await sent(request), state(request)
    source, units = source_of(s, body.get("path")), units_of(body)
    files = await run_in_threadpool(recognise.recognise, source, units)
    guess = propose.propose(source, files)
    return answer({"files": [one.record() for one in files], "guess": guess})


async def check(request: Request) -> Response:
    """Faults of a description by field.

    Raises Refused (403) where the folder cannot be written to.
    """
    body, s = await sent(request), state(request)
    source, described = source_of(s, body.get("path")), _description(body)
    scratch = s.library.cache()
    if scratch is None:
        raise Refused(403, "the folder cannot be written to")
    done = await run_in_threadpool(assemble.check, source, described, units_of(body), scratch)
    return answer(_record(done))


async def write(request: Request) -> Response:
    """Write the trial folder, or say what is at fault.

    Raises Refused (422, or 409 where the folder exists).
    """
    body, s = await sent(request), state(request)
    source, described = source_of(s, body.get("path")), _description(body)
    name = body.get("folder")
    if not isinstance(name, str):
        raise Refused(422, "folder is no text", "folder")
    try:
        target = s.library.child(name)
    except Refused:
        raise Refused(422, f"{name[:60]!r} is no plain name for a folder", "folder") from None
    if name.endswith(".answers"):
        raise Refused(422, "a trial's name cannot end in .answers", "folder")
    if target.exists() or target.is_symlink():
        raise Refused(409, f"{name} exists already; nothing was written", "folder")
    done = await run_in_threadpool(assemble.write, source, described, units_of(body), target)
    if done.faults:
        first = done.faults[0]
        line = f"{first.field}: {first.problem}; nothing was written"
        raise Refused(422, line, first.field, **_record(done))
    s.hub.tell("trials", name)
    return answer({"id": name, **_record(done)}, 201)


def _description(body: dict[str, Any]) -> dict[str, Any]:
    described = body.get("description")
    if not isinstance(described, dict):
        raise Refused(422, "description is no object", "description")
    return described


def _record(done: assemble.Checked) -> dict[str, Any]:
    record: dict[str, Any] = {
        "toml": done.toml,
        "faults": [vars(fault) for fault in done.faults],
        "verdict": None,
        "findings": [],
    }
    if done.checkup is not None:
        record["verdict"] = done.checkup.verdict
        record["findings"] = [vars(finding) for finding in done.checkup.findings]
    return record


routes = [
    Route("/api/new/folders", folders, methods=["GET"]),
    Route("/api/new/inspect", inspect, methods=["POST"]),
    Route("/api/new/check", check, methods=["POST"]),
    Route("/api/new/write", write, methods=["POST"]),
]
