"""A stand-in for the reconstruction of a throw: quick, right in form, the same every time."""

from __future__ import annotations

import json
import os
import signal
import time
from hashlib import sha256
from pathlib import Path
from typing import Any

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
    if name == "heavy":
        os.kill(os.getpid(), signal.SIGKILL)
    return name
