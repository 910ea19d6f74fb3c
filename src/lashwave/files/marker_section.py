"""The `[markers]` table: labels to stations, and samples from CSV or C3D onto one clock."""

from __future__ import annotations

import difflib
import math
from dataclasses import replace

import numpy as np

from lashwave.files.c3d import read_c3d
from lashwave.files.csv_markers import read_csv
from lashwave.files.fields import Fields
from lashwave.files.marker_samples import FARTHEST, FEWEST, MarkerSamples, Reader
from lashwave.files.source import Folder
from lashwave.quantities import Array, InputError, Line, Markers, counted, limit_text

READERS: dict[str, Reader] = {
    ".csv": read_csv,
    ".c3d": read_c3d,
}
"""The reader of each type of marker file, by its ending in lower case. A new type is a module
beside `c3d` and a line here; intake takes it from here too."""


def read_markers(folder: Folder, fields: Fields, line: Line, pictured: bool = False) -> Markers:
    """The `[markers]` table of a trial and the file that it names.

    Where they are `pictured`, in the images of cameras that show dots, the file may not exist yet:
    then there are no samples.

    Raises InputError for a type of file that no reader knows, too few samples, and fields that are
    not as they should be.
    """
    fields.expect(
        "file",
        "sd",
        "mass",
        "diameter",
        "station_sd",
        "stand_off",
        "rate",
        "stations",
        "handle",
        "exposure",
    )
    stations = fields.attempt("stations", lambda: read_stations(fields, line.length), {})
    handle = fields.attempt("handle", lambda: _handle(folder, fields, stations, line), ())
    rate = fields.number("rate", "frequency", None, low=10.0, high=1e5)
    labels = (*stations, *handle)
    unseen = _unseen(fields, labels, stations)
    if fields.has("sd"):
        _sd(fields)
    if pictured and not (fields.has("file") and (folder.root / fields.text("file")).exists()):
        return unseen
    return fields.attempt(
        "file", lambda: _from_file(folder, fields, line, labels, stations, rate), unseen
    )


def _from_file(
    folder: Folder,
    fields: Fields,
    line: Line,
    labels: tuple[str, ...],
    stations: dict[str, float],
    rate: float | None,
) -> Markers:
    name = fields.text("file")
    path = folder.file(name, fields.where, fields.line("file"), fields.name("file"))
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        problem = f"{name!r} is neither {' nor '.join(READERS)}"
        raise fields.fault("file", problem, "name a file of one of these")
    record = reader(path, name, labels, rate)
    folder.notes += [f"{name}: {note}" for note in record.notes]
    _check_reach(name, record)
    if record.time.size < FEWEST:
        raise InputError(
            name,
            f"holds {counted(record.time.size, 'sample')}",
            f"expected at least {FEWEST}",
            field="time",
        )
    sd = record.sd
    if sd is None or fields.has("sd"):
        stated = _sd(fields)
        # One number for all takes no memory.
        sd = np.broadcast_to(stated, record.position.shape[:2]) if sd is None else sd
    return _assemble(folder, fields, line, record, sd, list(labels), stations)


def _sd(fields: Fields) -> float:
    """Standard deviation of a coordinate [m]."""
    sd: float = fields.number("sd", "length", low=1e-7, high=0.1)
    return sd


def _unseen(fields: Fields, labels: tuple[str, ...], stations: dict[str, float]) -> Markers:
    """Markers with stations and no samples."""
    markers = Markers(
        time=np.empty(0),
        labels=labels,
        position=np.empty((0, len(labels), 3)),
        sd=np.empty((0, len(labels))),
        station=np.array([stations.get(label, math.nan) for label in labels]),
    )
    return _with_properties(fields, markers)


def _with_properties(fields: Fields, markers: Markers) -> Markers:
    """The same with what all markers have in common."""
    return replace(
        markers,
        mass=fields.number("mass", "mass", 0.0, 0.0, 0.1),
        diameter=fields.number("diameter", "length", 0.0, 0.0, 0.1),
        station_sd=fields.number("station_sd", "length", 0.0, 0.0, 0.5),
        stand_off=fields.number("stand_off", "length", 0.0, 0.0, 0.1),
        exposure=fields.number("exposure", "time", 0.0, 0.0, 0.1),
    )


def _assemble(
    folder: Folder,
    fields: Fields,
    line: Line,
    record: MarkerSamples,
    sd: Array,
    labels: list[str],
    stations: dict[str, float],
) -> Markers:
    """The noun, without the labels that were never seen, unless points without a label may be
    theirs: these keep their place, to be labelled later."""
    name = fields.text("file")
    seen = np.atleast_1d(np.isfinite(record.position[:, :, 0]).any(axis=0))
    loose = record.unlabelled_time.size > 0
    keep = [i for i, has in enumerate(seen) if has or loose]
    missing = [v for v, has in zip(labels, seen, strict=True) if not (has or v in record.present)]
    if not any(labels[i] in stations for i in keep):
        found = ", ".join(repr(p) for p in record.present[:6]) or "none"
        raise fields.fault(
            "stations", f"{name} has no sample of any label listed", f"its labels are: {found}"
        )
    for label in missing:
        near = difflib.get_close_matches(label, set(record.present) - set(labels), 1, 0.6)
        if near:
            folder.notes.append(f"{name} has no marker {label}; did you mean {near[0]}?")
    if missing:
        fate = "points without a label may be theirs" if loose else "left out"
        folder.notes.append(f"{name} has no marker {', '.join(missing)}; {fate}.")
    never = [v for v, has in zip(labels, seen, strict=True) if not has and v not in missing]
    if never and not loose:
        folder.notes.append(f"{name}: marker {', '.join(never)} was never seen; left out.")
    unused = [label for label in record.present if label not in labels]
    if unused:
        shown = ", ".join(unused[:8]) + (" ..." if len(unused) > 8 else "")
        folder.notes.append(
            f"{name}: {counted(len(unused), 'label')} without a station ({shown}): not used."
        )
    whole = len(keep) == len(labels)
    markers = Markers(
        time=record.time,
        labels=tuple(labels[i] for i in keep),
        position=record.position if whole else record.position[:, keep],
        sd=sd if whole else sd[:, keep],
        station=np.array([stations.get(labels[i], math.nan) for i in keep]),
        unlabelled_time=record.unlabelled_time,
        unlabelled_position=record.unlabelled_position,
    )
    markers = _with_properties(fields, markers)
    _check_spacing(fields, markers)
    return markers


def _check_reach(name: str, record: MarkerSamples) -> None:
    """Refuse a sample that no lab is large enough for, whatever the file's format."""
    ends = (which.reduce(record.position, axis=(0, 2), initial=0.0) for which in (np.fmin, np.fmax))
    reach = np.abs(list(ends)).max(axis=0)
    far = int(reach.argmax()) if reach.size else 0
    if reach.size and reach[far] > FARTHEST:
        problem = f"a sample lies {reach[far]:.3g} m from the origin"
        remedy = f"expected at most {FARTHEST:g} m; check the unit, or reject the sample"
        raise InputError(name, problem, remedy, field=record.labels[far])


def _check_spacing(fields: Fields, markers: Markers) -> None:
    """Two markers are never farther apart than the line between them is long.

    The median over the record is judged, so that ghosts and short swaps do not stop a trial;
    wrong units and labels that are swapped throughout do.
    """
    on_line = np.flatnonzero(~markers.on_handle)
    order = on_line[np.argsort(markers.station[on_line])]
    for a, b in zip(order[:-1], order[1:], strict=True):
        gap = markers.position[:, b] - markers.position[:, a]
        chord = np.sqrt((gap * gap).sum(axis=1))
        chord = chord[np.isfinite(chord)]
        if chord.size < FEWEST:
            continue
        arc = markers.station[b] - markers.station[a]
        slack = 0.05 + 2 * markers.stand_off + 6 * markers.station_sd
        if np.median(chord) > 1.25 * arc + slack:
            labels = f"{markers.labels[a]} and {markers.labels[b]}"
            table = fields.sub("stations", required=True)
            raise table.fault(
                markers.labels[b],
                f"markers {labels} are usually {np.median(chord):.3g} m apart, "
                f"with {arc:.3g} m of line between them",
                "check the stations, the labels and the units",
            )


ROUNDED = 0.6e-3
"""A station this far beyond the tip is the tip's own, written to a millimetre [m]."""


def read_stations(fields: Fields, length: float) -> dict[str, float]:
    """A `stations` table: label -> arc length on the line [m].

    Raises InputError for no label, a label that cannot be used, and a station outside the line.
    """
    table = fields.sub("stations", required=True)
    if not table.table:
        raise fields.fault("stations", "lists nothing", "give at least one label and its station")
    stations = {}
    for label in table.table:
        if not label.strip() or label != label.strip() or not label.isprintable():
            table.refuse(label, "is not a usable label", "use printable characters")
        if len(label) > 100:
            table.refuse(label, "is a label of over 100 characters", "shorten it")
        # A station at fault is not known, and so accuses no other.
        stations[label] = table.number(label, "length", math.nan)
        if length < stations[label] <= length + ROUNDED:
            stations[label] = length
        if stations[label] < 0.0 or stations[label] > length * (1 + 1e-9):
            problem = f"{table.shown(label)} lies outside the line"
            table.refuse(label, problem, f"expected 0 to {limit_text(length, stations[label])} m")
            stations[label] = math.nan
    return stations


def _handle(
    folder: Folder, fields: Fields, stations: dict[str, float], line: Line
) -> tuple[str, ...]:
    handle = fields.sub("handle")
    if handle is None:
        return ()
    handle.expect("labels")
    labels = handle.get("labels")
    if not isinstance(labels, list) or any(not isinstance(v, str) or not v for v in labels):
        raise handle.fault("labels", "is not a list of labels", 'write labels = ["H1", "H2"]')
    if len(set(labels)) != len(labels):
        raise handle.fault("labels", "lists a label twice", "list each once")
    for label in labels:
        if label in stations:
            raise handle.fault("labels", f"{label!r} has a station too", "list it in one place")
    if labels and line.handle_length == 0:
        folder.notes.append("markers.handle: the line has no handle_length, so no rigid grip.")
    return tuple(labels)
