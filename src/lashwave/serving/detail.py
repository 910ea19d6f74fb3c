"""Everything about one trial that is no array: its description, answers, events and checks."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from lashwave.answers import register
from lashwave.files import Fields
from lashwave.quantities import Camera, cells_of, factor, heading
from lashwave.serving.before import earlier
from lashwave.serving.camera_pictures import CameraPictures, frame_span
from lashwave.serving.opened import Answered, Opened, Reader
from lashwave.serving.overview import judgement
from lashwave.serving.sightings_pack import clock_of, registration_of

_COLUMNS = {
    "station": "length",
    "diameter": "length",
    "linear_density": "linear density",
    "bending_stiffness": "bending stiffness",
    "axial_stiffness": "force",
}
_EVENTS = {
    "full_extension_time": ("full extension", "largest distance from butt to tip"),
    "sonic_time": ("speed of sound", "first moment at which a station moves at the speed of sound"),
    "peak_tip_speed_time": ("peak tip speed", "the tip is fastest"),
}


def detail(reader: Reader, pictures: CameraPictures, opened: Opened) -> dict[str, Any]:
    """The JSON object of a trial."""
    trial, answers = opened.trial, reader.answers(opened)
    judged = judgement(reader, opened)
    summary = {} if answers is None else answers.summary
    return {
        "id": opened.id,
        "name": trial.name,
        "specimen": trial.specimen,
        "thrower": trial.thrower,
        "date": trial.date,
        "verdict": judged["verdict"],
        "reasons": judged["reasons"],
        "air": asdict(trial.air),
        "line": _line(opened),
        "markers": _markers(opened),
        "cameras": [_camera(opened, pictures, camera, answers) for camera in trial.cameras],
        "microphones": [
            {"name": m.name or m.file, "file": m.file, "position": m.position}
            for m in trial.microphones
        ],
        "quantities": defined(summary.get("quantities", {})),
        "warnings": _warnings(trial.notes, answers),
        "notes": list(trial.notes),
        "events": events(opened, summary.get("quantities", {})),
        "checks": judged["checks"],
        "answers_dir": None if answers is None else answers.path.name,
        "answered": answers is not None,
        "alone": opened.alone,
        "offered": [] if answers is not None else reader.offered(opened),
        "stale": answers is not None and answers.stale,
        "before": None if answers is None else earlier(reader.library, opened.id, answers.path),
        "notable": register.groups(),
    }


def _warnings(notes: tuple[str, ...], answers: Answered | None) -> list[str]:
    if answers is None:
        return list(notes)
    return list(answers.summary["warnings"]) if answers.fault is None else [answers.fault, *notes]


def defined(quantities: dict[str, Any]) -> dict[str, Any]:
    """The answers, each with the group and the definition that the register has for its name."""
    found = {}
    for name in register.order(list(quantities)):
        own = register.entry(name)
        said = {} if own is None else {"group": own.group, "definition": own.definition}
        found[name] = {**quantities[name], **said}
    return found


def events(opened: Opened, quantities: dict[str, Any]) -> list[dict[str, Any]]:
    """Moments worth a jump, by time: those answered, and the sounds that were heard."""
    found = []
    for key, (name, text) in _EVENTS.items():
        one = quantities.get(key, {})
        if one.get("value") is None:
            continue
        station = opened.trial.line.length if key == "peak_tip_speed_time" else None
        if key == "sonic_time":
            station = quantities.get("sonic_station", {}).get("value")
        found.append(
            {"name": name, "time": one["value"], "sd": one.get("sd"), "station": station,
             "text": text, "quantity": key}
        )  # fmt: skip
    for key, one in quantities.items():
        if key.startswith("shock_birth_time") and one.get("value") is not None:
            found.append(
                {"name": "shock begins", "time": one["value"], "sd": one.get("sd"),
                 "station": None, "text": key.replace("_", " "), "quantity": key}
            )  # fmt: skip
    for onset in opened.trial.onsets:
        found.append(
            {"name": "sound arrives", "time": onset.time, "sd": onset.sd, "station": None,
             "text": f"at microphone {onset.microphone}", "quantity": None}
        )  # fmt: skip
    return sorted(found, key=lambda event: event["time"])


def _line(opened: Opened) -> dict[str, Any]:
    line = opened.trial.line
    fields = opened.description.sub("line")
    table = {name: getattr(line, name) for name in _COLUMNS if getattr(line, name) is not None}
    return {
        "length": line.length,
        "handle_length": line.handle_length,
        "ends": line.ends,
        "mass": float(np.trapezoid(line.linear_density, line.station)),
        "file": None if fields is None else fields.get("table", None),
        "table": table,
        "units": _line_units(opened, fields),
    }


def _line_units(opened: Opened, fields: Fields | None) -> dict[str, dict[str, Any]]:
    """By column, the unit that its own heading states and the factor to SI; SI where unread."""
    found = {}
    try:
        name = "" if fields is None else str(fields.get("table", ""))
        with (opened.path / name).open(encoding="utf-8-sig") as stream:
            headings = next(cells_of(stream, strict=False))
        for text in headings:
            column, unit = heading(text)
            if column in _COLUMNS and unit is not None:
                found[column] = {"unit": unit, "factor": factor(unit, _COLUMNS[column])}
    except (OSError, ValueError, StopIteration):
        return {}
    return found


def _markers(opened: Opened) -> dict[str, Any]:
    markers = opened.trial.markers
    fields = opened.description.sub("markers")
    listed = None if fields is None else fields.sub("stations")
    stations = {} if listed is None else {k: listed.number(k, "length") for k in listed.table}
    return {
        "rate": markers.rate if markers.time.size > 1 else None,
        "labels": list(markers.labels),
        "stations": stations,
        "handle": [n for n, s in zip(markers.labels, markers.station, strict=True) if np.isnan(s)],
        "sd": float(np.nanmedian(markers.sd)) if markers.sd.size else None,
        "first": float(markers.time[0]) if markers.time.size else None,
        "last": float(markers.time[-1]) if markers.time.size else None,
    }


def _camera(
    opened: Opened, pictures: CameraPictures, camera: Camera, answers: Answered | None
) -> dict[str, Any]:
    count = pictures.count(opened, camera.name)
    first, last = frame_span(opened, camera, count)
    offset, drift, sd = clock_of(camera, answers)
    u, v = registration_of(camera, answers)
    stated = camera.clock
    return {
        "name": camera.name,
        "rate": camera.rate,
        "stamps": None if camera.stamps is None else camera.stamps * [1.0, camera.rate],
        "size": list(camera.size),
        "exposure": camera.exposure,
        "projection": camera.projection,
        "intrinsics": camera.intrinsics,
        "distortion": camera.distortion,
        "clock": {"offset": offset, "drift": drift, "offset_sd": sd},
        "stated_clock": {"offset": stated.offset, "offset_sd": stated.offset_sd},
        "registration": {"u": u, "v": v},
        "frames": count,
        "points": int(camera.frame.size),
        "first_frame": first,
        "last_frame": last,
        "shows": camera.shows,
        "flashes": int(camera.flashes.size),
    }
