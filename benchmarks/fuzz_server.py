"""Requests for `make fuzz`: every route of the server, with hostile names, bodies and tags, and
pages asked of damaged files.
"""

from __future__ import annotations

import contextlib
import json
import random
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from benchmarks import fuzz_mutations as mutations
from benchmarks.fuzz_targets import TOKEN, Target, Wrong

ENDLESS = ("/api/events",)
"""Routes whose answer never ends."""
NAMES = ["rich", "rich", "rich", "pictured", "..", "rich%00", "a" * 300, "link", ".", "%2f", "ü"]


def client_of(folder: Path) -> Any:
    """A client of an application that starts no run."""
    from lashwave.serving.app import make_app
    from lashwave.serving.runs import ServedRun, ServedRuns

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from starlette.testclient import TestClient

    def start(self: ServedRuns, trial: str, kind: str, what: dict[str, Any], file: Path) -> Any:
        return ServedRun("0", trial, kind, what, file=file)

    ServedRuns.start = start  # type: ignore[method-assign]
    return TestClient(
        make_app(folder, TOKEN), base_url="http://127.0.0.1:8000",
        headers={"X-Lashwave-Token": TOKEN}, raise_server_exceptions=True, follow_redirects=False,
    )  # fmt: skip


class Asking:
    """One server for a worker, made when it is first asked."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._client = folder, None
        self._stack = contextlib.ExitStack()

    def ask(self, method: str, address: str, **what: Any) -> bool:
        """Whether it was answered; False for 4xx, Wrong for 5xx and anything that is raised."""
        if self._client is None:
            self._client = self._stack.enter_context(client_of(self._folder))
        status = self._client.request(method, address, **what).status_code
        if status >= 500 and status != 503:
            raise Wrong(f"{method} {address[:200]} gives {status}")
        return status < 400


def routes(folder: Path) -> list[tuple[str, str]]:
    """(method, path template) of every route."""
    from starlette.routing import Route

    from lashwave.serving.app import make_app

    found = []
    for route in make_app(folder, TOKEN).routes:
        if isinstance(route, Route) and route.path not in ENDLESS:
            found += [(m, route.path) for m in sorted(route.methods or ()) if m != "HEAD"]
    return found


def address(template: str, draw: random.Random) -> str:
    """A path of a route, most often of the trial that is there."""
    filled = template
    for name, usual in (("trial", NAMES), ("camera", ["tip-view", "x", ".."]), ("run", ["0", "x"]),
                        ("frame", ["0", "4000.png", "9" * 30, "-1", "1.webp", "x"])):  # fmt: skip
        filled = filled.replace(f"{{{name}}}", draw.choice(usual))
    if draw.random() < 0.5:
        keys = ["camera", "list", "token", "code", "frame", "x"]
        values = ["tip-view", "tension", "position", "", "nan", "ü", "=1", "a" * 300, "%00"]
        filled += "?" + "&".join(
            f"{draw.choice(keys)}={quote(draw.choice(values))}" for _ in range(draw.randrange(4))
        )
    return filled


def targets(root: Path) -> list[Target]:
    """Requests of all kinds, and pages on damaged files."""
    asking, known = Asking(root), routes(root)
    every = [m for m in ("GET", "PUT", "POST", "DELETE")]

    def ask(value: object) -> bool:
        draw = random.Random(repr(value))
        method, template = draw.choice(known)
        if draw.random() < 0.1:
            method = draw.choice(every)
        body: Any = value
        if isinstance(value, dict) or draw.random() < 0.6:
            body = {"mends": [value], "path": draw.choice(["raw", "rich", value]),
                    "description": {"line": value, "markers": {"file": value}},
                    "folder": value, "units": value}  # fmt: skip
        try:
            content = json.dumps(body).encode("utf-8", "surrogatepass")
        except (TypeError, ValueError):
            content = repr(body).encode("utf-8", "replace")
        if draw.random() < 0.3:
            content = mutations.mutated(content, draw, text=True)
        headers = (
            {"If-Match": draw.choice(["none", "x", '"*"', "W/"])} if draw.random() < 0.5 else {}
        )
        return asking.ask(method, address(template, draw), content=content, headers=headers)

    looks = [(m, t) for m, t in known if m == "GET" and "{trial}" in t]
    files = [
        root / "rich" / name for name in ("trial.toml", "line.csv", "markers.csv", "tip-view.csv")
    ]
    files += [root / "rich.answers" / n for n in ("summary.json", "motion.nc", "answers.nc",
                                                  "sightings.nc")]  # fmt: skip
    files.append(root / "rich.mends.toml")
    whole = {path: path.read_bytes() for path in files}

    def look(seed: object) -> bool:
        draw = random.Random(str(seed))
        path = draw.choice(files)
        text = path.suffix in (".csv", ".toml", ".json")
        path.write_bytes(mutations.mutated(whole[path], draw, text=text))
        try:
            _, template = draw.choice([*looks, ("GET", "/api/trials")])
            return asking.ask("GET", address(template.replace("{trial}", "rich"), draw))
        finally:
            path.write_bytes(whole[path])

    def seeds(count: int, start: int) -> Iterator[object]:
        yield from (f"{start}-{i}" for i in range(count))

    from benchmarks.fuzz_targets import _values

    return [
        Target("requests", ask, _values, 9),
        Target("pages on damaged files", look, seeds, 4),
    ]
