"""A stand-in for the reconstruction of a throw: quick, right in form, the same every time."""

from __future__ import annotations

import json
import os
import signal
import time
from hashlib import sha256
from pathlib import Path
from typing import Any

from lashwave.files import DiskFullError
from lashwave.quantities.errors import NotConvergedError


def make_trials(folder: Path, count: int, pace: float = 0.01) -> None:
    """Folders that the stand-in takes for trials."""
    for number in range(count):
        trial = folder / f"t{number:03d}"
        trial.mkdir(parents=True)
        (trial / "trial.toml").write_text(f"number = {number}\npace = {pace}\n")


def usable(folder: Path) -> str:
    return "line: has no length" if "unusable" in (folder / "trial.toml").read_text() else ""


def quick(folder: Path, out: Path, known: tuple[Any, ...] = ()) -> dict[str, Any]:
    """Two answers told by the trial's text; fails where that says so."""
    text = (folder / "trial.toml").read_text()
    time.sleep(float(text.split("pace = ")[1].split()[0]))
    if "fails" in text and not (folder.parent / "mended").exists():
        raise NotConvergedError("no motion was found")
    number = int(sha256(text.encode()).hexdigest()[:8], 16) / 2**32
    speed = 300.0 + 20.0 * number
    answer = {"value": speed, "sd": 2.0, "low95": speed - 4, "high95": speed + 4, "unit": "m s-1"}
    mach = {"value": speed / 343, "sd": 0.01, "low95": 0.8, "high95": 1.1, "unit": "1"}
    out.mkdir()
    (out / "summary.json").write_text(
        json.dumps(
            {
                "schema": 1, "trial": folder.name,
                "quantities": {"peak_tip_speed": answer, "peak_tip_mach": mach}, "warnings": [],
                "provenance": {"specimen": "lash C", "thrower": "arm 1", "date": "2026-05-04"},
            }
        )
    )  # fmt: skip
    (out / "report.html").write_text("<title>a throw</title>")
    return {"verdict": "usable", "cares": [], "distrusted": 0.01, "residual": 1.0,
            "whiteness": 0.1 * number, "withheld": None}  # fmt: skip


def die(errand):
    """A job of which the system ends the heavy one, and all that run beside it with it."""
    name, folder = errand
    (folder / f"{name}-{time.monotonic_ns()}").touch()
    time.sleep(0.05)
    if name == "heavy" or (name == "once" and len(list(folder.glob("once-*"))) == 1):
        os.kill(os.getpid(), signal.SIGKILL)
    return name


def unwritable(folder: Path, out: Path, known: tuple[Any, ...] = ()) -> dict[str, Any]:
    """As `quick`, but what it says of the third throw fits in no JSON."""
    facts = quick(folder, out, known)
    return facts | ({"residual": float("nan")} if folder.name == "t002" else {})


def full(folder: Path, out: Path, known: tuple[Any, ...] = ()) -> dict[str, Any]:
    """As `quick`, but the disk is full at the third throw."""
    if folder.name == "t002":
        raise DiskFullError("no room")
    return quick(folder, out, known)


def in_form(folder: Path, out: Path, known: tuple[Any, ...] = ()) -> dict[str, Any]:
    """Answers of a true trial folder, of the stand-in for the fusion: files in their true form."""
    from lashwave.files import write_results
    from lashwave.pipeline import read_usable
    from lashwave.quantities import Answer
    from tests.workbench import conftest

    trial = read_usable(folder)
    fit = conftest.estimate(trial, conftest.Options(), lambda *said: None)
    drag = {"drag_normal": Answer(1.1, "1", 0.05, 1.0, 1.2)}
    page = {"report.html": b"<title>a throw</title>"}
    write_results(out, fit, drag, None, page, trial, {})
    return {"verdict": "usable", "cares": []}


LEARNS = {"t000": 0.0, "t001": 0.2, "t002": 0.1}
"""Logarithm of the drag that the sightings of each stand-in throw prefer, with an sd of 0.1."""


def learning(folder: Path, out: Path, known: tuple[Any, ...] = ()) -> dict[str, Any]:
    """As `quick`, with what the throw says of its drag; its peak tip speed tells what it knew."""
    facts = quick(folder, out, known)
    ((_, mean, sd),) = known or (("drag_normal", 0.0, 0.15),)
    record = json.loads((out / "summary.json").read_text())
    record["quantities"]["peak_tip_speed"] |= {"value": 300.0 + mean, "sd": 10.0 * sd}
    (out / "summary.json").write_text(json.dumps(record))
    precision = sd**-2 + 0.1**-2
    drag = (mean * sd**-2 + LEARNS[folder.name] * 0.1**-2) / precision
    return facts | {
        "shared": {
            "names": ["drag_normal"], "draws": 10**9, "mean": [drag],
            "covariance": [[1 / precision]], "stated_mean": [0.0], "stated_sd": [0.15],
            "model_sd": [0.0], "answers": {},
        }
    }  # fmt: skip
