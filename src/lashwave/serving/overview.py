"""The list of trials: each with a verdict, how much is missing, and its main answers.

A small picture of a trial: shapes of the line through the throw, or its markers' tracks.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import numpy as np

from lashwave.pipeline import checkup
from lashwave.quantities import DISTRUSTED, Array, InputError, interpolate
from lashwave.serving.library import stamp
from lashwave.serving.opened import Opened, Reader, answers_stamp
from lashwave.serving.replies import plain

VERDICTS = {"usable": "usable", "usable with care": "care", "not usable": "unusable"}

ALONE = "answers without their trial: what was seen is not here"


def entry(reader: Reader, name: str) -> dict[str, Any]:
    """One row of the list; a trial that cannot be read has `broken`."""
    library = reader.library
    signature = library.signature(name)
    own = library.folder / f"{name}.answers"
    others = [stamp(library.child(n) / "summary.json") for n in library.answer_folders()]
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
    row |= {"answers_dir": None, "alone": False}
    return row | {"broken": line, "reasons": [] if line is None else [line[:400]]}


def _entry(reader: Reader, name: str) -> dict[str, Any]:
    row = broken(name)
    try:
        opened = reader.trial(name)
    except InputError as fault:
        return broken(name, str(fault))
    trial = opened.trial
    row |= {k: getattr(trial, k) for k in ("name", "specimen", "thrower", "date")}
    row["alone"] = opened.alone
    row["mends"] = sum(note.startswith("mended by hand") for note in trial.notes)
    judged = judgement(reader, opened)
    row |= {name: judged[name] for name in ("verdict", "reasons", "gaps")}
    if trial.cameras:
        row["clock_sd"] = max(c.clock.offset_sd for c in trial.cameras)
    answers = reader.answers(opened)
    if answers is not None:
        row |= _answered(answers.summary) | {"answered": True, "stale": answers.stale}
        row["answers_dir"] = answers.path.name
        if answers.fault is not None:
            row["reasons"] = [answers.fault, *judged["reasons"]]
    return row


def judgement(reader: Reader, opened: Opened) -> dict[str, Any]:
    """What `verdict_of` and `checks_of` say, as JSON; made once for as long as the files stay.

    Of a million sightings that takes seconds, and the trial's page asks for it each time.
    """

    def made() -> dict[str, Any]:
        verdict, reasons, gaps = verdict_of(opened)
        said = {"verdict": verdict, "reasons": reasons, "gaps": gaps, "checks": checks_of(opened)}
        kept: dict[str, Any] = plain(said)
        return kept

    mark = reader.library.signature(opened.id)
    try:
        kept: dict[str, Any] = json.loads(
            reader.derived(f"{opened.id}.check.json", mark, lambda: json.dumps(made()).encode())
        )
    except ValueError:  # what was kept is damaged
        return made()
    return kept


def checks_of(opened: Opened) -> list[dict[str, Any]]:
    """What `lashwave check` says: findings first, then the figures behind them."""
    if opened.alone:
        return []
    found = checkup.inspect(opened.trial)
    return [
        *({"kind": "finding", **asdict(f)} for f in found.findings),
        *({"kind": "marker", **asdict(m)} for m in found.markers),
        *({"kind": "spacing", **asdict(s)} for s in found.spacings),
        *({"kind": "camera", **asdict(c)} for c in found.cameras),
    ]


def verdict_of(opened: Opened) -> tuple[str, list[str], float | None]:
    """usable, care or unusable; why; the share of marker samples that are missing."""
    trial = opened.trial
    if opened.alone:
        return "care", [ALONE], None
    found = checkup.inspect_as_read(trial)  # as `lashwave check` does: one verdict
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

    library = reader.library
    own = library.child(name if library.alone(name) else f"{name}.answers")
    mark = f"{library.signature(name)}|{answers_stamp(own)}"

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


WIDTH, HEIGHT, EDGE = 160.0, 100.0, 6.0
SHAPES = 12


def thumbnail(reader: Reader, opened: Opened) -> bytes:
    """SVG of the plane in which the trial is widest, up kept upright."""
    answers = reader.answers(opened)
    mark = repr([opened.hashes, None if answers is None else answers_stamp(answers.path)])

    def make() -> bytes:
        if answers is None:
            curves = _tracks(opened.trial.markers.position)
        else:
            motion, _ = reader.motion(answers)
            curves = _shapes(*(motion[n].values for n in ("time", "position", "velocity")))
        return drawn(curves).encode()

    return reader.derived(f"{opened.id}.thumbnail.svg", mark, make)


def _shapes(time: Array, position: Array, velocity: Array) -> list[Array]:
    """The line at moments between which its tip goes equally far."""
    tip = np.linalg.norm(velocity[:, -1], axis=-1)
    gone = np.concatenate([[0.0], np.cumsum(np.diff(time) * 0.5 * (tip[1:] + tip[:-1]))])
    gone += 1e-9 * np.arange(time.size)
    at = np.interp(np.linspace(gone[0], gone[-1], SHAPES), gone, time)
    place, _ = interpolate(time, position, velocity, at)
    return list(place[:, ::4])


def _tracks(position: Array) -> list[Array]:
    step = 1 + position.shape[0] // 200
    return [position[::step, i] for i in range(position.shape[1])]


def drawn(curves: list[Array]) -> str:
    """Curves (N, 3) [m] in the wider of the planes x-z and y-z, at one scale; nan breaks one."""
    known = [c[np.isfinite(c).all(axis=1)] for c in curves]
    points = np.concatenate([*known, np.empty((0, 3))])
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}">'
    if not len(points):
        return head + "</svg>"
    across = 0 if np.ptp(points[:, 0]) >= np.ptp(points[:, 1]) else 1
    low = points[:, [across, 2]].min(axis=0)
    extent = np.maximum(np.ptp(points[:, [across, 2]], axis=0), 1e-9)
    scale = min((WIDTH - 2 * EDGE) / extent[0], (HEIGHT - 2 * EDGE) / extent[1])
    margin = 0.5 * (np.array([WIDTH, HEIGHT]) - scale * extent)
    rows = [head]
    for i, curve in enumerate(known):
        if len(curve) < 2:
            continue
        uv = margin + scale * (curve[:, [across, 2]] - low)
        path = " ".join(f"{u:.1f},{HEIGHT - v:.1f}" for u, v in uv)
        shade = 0.35 + 0.65 * i / max(len(known) - 1, 1)
        rows.append(
            f'<polyline points="{path}" fill="none" stroke="#0072B2" stroke-width="1.2" '
            f'stroke-opacity="{shade:.2f}" stroke-linejoin="round"/>'
        )
    return "\n".join([*rows, "</svg>"])
