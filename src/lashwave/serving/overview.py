"""The list of trials: each with a verdict, how much is missing, and its main answers."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from lashwave.pipeline import checkup
from lashwave.quantities import DISTRUSTED, InputError
from lashwave.serving.json_answer import plain
from lashwave.serving.opened import Opened, Reader, answers_stamp

VERDICTS = {"usable": "usable", "usable with care": "care", "not usable": "unusable"}


def entry(reader: Reader, name: str) -> dict[str, Any]:
    """One row of the list; a trial that cannot be read has `broken`."""
    library = reader.library
    signature = library.signature(name)
    own = library.folder / f"{name}.answers"
    others = sorted(p.name for p in library.folder.iterdir() if p.is_dir())
    mark = f"{signature}|{answers_stamp(own)}|{others}"

    def make() -> bytes:
        return json.dumps(plain(_entry(reader, name)), allow_nan=False).encode()

    try:
        row: dict[str, Any] = json.loads(reader.derived(f"{name}.entry.json", repr(mark), make))
    except ValueError:  # what was kept is damaged
        return _entry(reader, name)
    return row


def broken(name: str, line: str | None = None) -> dict[str, Any]:
    """The row of a trial that cannot be read, with the reason."""
    blank: dict[str, Any] = dict.fromkeys(
        ("specimen", "thrower", "date", "gaps", "residual_rms", "clock_sd", "peak_tip_speed",
         "peak_tip_mach", "broken"),
    )  # fmt: skip
    row: dict[str, Any] = {"id": name, "name": name, **blank}
    row |= {"verdict": "unusable", "warnings": 0, "answered": False, "stale": False, "mends": 0}
    return row | {"broken": line, "reasons": [] if line is None else [line[:400]]}


def _entry(reader: Reader, name: str) -> dict[str, Any]:
    row = broken(name)
    try:
        opened = reader.trial(name)
    except InputError as fault:
        return broken(name, str(fault))
    trial = opened.trial
    row |= {k: getattr(trial, k) for k in ("name", "specimen", "thrower", "date")}
    row["mends"] = sum(note.startswith("mended by hand") for note in trial.notes)
    verdict, reasons, gaps = verdict_of(opened)
    row |= {"verdict": verdict, "reasons": reasons, "gaps": gaps}
    if trial.cameras:
        row["clock_sd"] = max(c.clock.offset_sd for c in trial.cameras)
    answers = reader.answers(opened)
    if answers is not None:
        row |= _answered(answers.summary) | {"answered": True, "stale": answers.stale}
        if answers.fault is not None:
            row["reasons"] = [answers.fault, *reasons]
    return row


def verdict_of(opened: Opened) -> tuple[str, list[str], float | None]:
    """usable, care or unusable; why; the share of marker samples that are missing."""
    trial = opened.trial
    if trial.markers.time.size == 0:
        return "care", ["markers are still in the pictures: a run finds them"], None
    found = checkup.inspect(trial)
    worst = [f for f in found.findings if f.level != "note"]
    reasons = [f"{f.about}: {f.text}" for f in worst]
    on_line = ~trial.markers.on_handle
    seen = np.isfinite(trial.markers.position[:, on_line, 0])
    return VERDICTS[found.verdict], reasons, float(1.0 - seen.mean()) if seen.size else None


def _answered(summary: dict[str, Any]) -> dict[str, Any]:
    quantities = summary.get("quantities", {})

    def pair(name: str) -> list[float | None] | None:
        one = quantities.get(name, {})
        return None if one.get("value") is None else [one["value"], one.get("sd")]

    clocks = [q.get("sd") for n, q in quantities.items() if n.startswith("clock_offset:")]
    row: dict[str, Any] = {
        "warnings": len(summary.get("warnings", [])),
        "peak_tip_speed": pair("peak_tip_speed"),
        "peak_tip_mach": pair("peak_tip_mach"),
    }
    known = [sd for sd in clocks if sd is not None]
    return row | ({"clock_sd": max(known)} if known else {})


def residual_rms(reader: Reader, name: str, now: bool) -> float | None:
    """RMS of the marker residuals in standard deviations, the distrusted left out.

    It takes the whole motion, so the list asks with `now` false: then it is nan where it is not
    known yet. None where there are no answers.
    """
    from lashwave.serving.sightings_pack import judged

    mark = f"{reader.library.signature(name)}|{answers_stamp(reader.library.own_answers(name))}"

    def make() -> bytes:
        known = judged(reader, reader.trial(name))
        good = known.marker[known.marker_weight >= DISTRUSTED]
        good = good[np.isfinite(good)]
        return repr(float(np.sqrt((good**2).mean())) if good.size else 0.0).encode()

    place = f"{name}.residual"
    body = reader.derived(place, mark, make) if now else reader.known(place, mark)
    try:
        return float("nan") if body is None else (float(body) or None)
    except ValueError:  # what was kept is damaged
        return None
