"""The `[markers]` table: labels to stations, and samples from CSV or C3D onto one clock."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.files.uniform_clock import OFF_RATE, UniformClock, fit
from lashwave.quantities.arrays import Array
from lashwave.quantities.errors import InputError
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers

FEWEST = 20
"""Samples that a trial needs; the trial format's figure."""
FARTHEST = 500.0
"""No marker is farther from the origin of the lab [m]."""
SPARSE = 20
"""A record this many times longer than its samples is a slip in the times."""

COLUMNS = (
    Column("time", "time", low=-1e6, high=1e6),
    Column("marker", kind="text"),
    Column("x", "length", low=-FARTHEST, high=FARTHEST),
    Column("y", "length", low=-FARTHEST, high=FARTHEST),
    Column("z", "length", low=-FARTHEST, high=FARTHEST),
    Column("sd", "length", False, above=0.0, high=1.0),
)


@dataclass(frozen=True)
class MarkerSamples:
    """What a file of marker samples holds, for the labels that were asked for."""

    time: Array
    """(T,) [s]"""
    position: Array
    """(T, L, 3) [m], nan where not seen; a label that the file lacks is nan throughout."""
    sd: Array | None
    """(T, L) [m]"""
    present: tuple[str, ...]
    """Every label in the file."""
    unlabelled_time: Array
    unlabelled_position: Array


def read_markers(folder: Folder, fields: Fields, line: Line, pictured: bool = False) -> Markers:
    """The `[markers]` table of a trial and the file that it names.

    Where they are `pictured`, in the images of cameras that show dots, the file may not exist yet:
    then there are no samples.
    """
    fields.expect(
        "file", "sd", "mass", "diameter", "station_sd", "stand_off", "rate", "stations", "handle"
    )
    stations = read_stations(fields, line.length)
    handle = _handle(folder, fields, stations, line)
    rate = fields.number("rate", "frequency", None, low=10.0, high=1e5)
    labels = (*stations, *handle)
    if pictured and not (fields.has("file") and (folder.root / fields.text("file")).exists()):
        return _unseen(fields, labels, stations)
    name = fields.text("file")
    path = folder.file(name, fields.where, fields.line("file"), fields.name("file"))
    if path.suffix.lower() == ".c3d":
        from lashwave.files.c3d import read_c3d

        points = read_c3d(path, name, labels, rate)
        folder.notes += [f"{name}: {note}" for note in points.notes]
        # Some exporters mark a gap by zeros alone: no marker sits exactly at the lab's origin.
        zero = ~points.position.any(axis=2)
        if zero.any():
            points.position[zero] = np.nan
            folder.notes.append(f"{name}: {int(zero.sum())} samples exactly at 0, 0, 0: not seen.")
        record = MarkerSamples(
            points.time, points.position, None, points.present,
            points.unlabelled_time, points.unlabelled_position,
        )  # fmt: skip
    elif path.suffix.lower() == ".csv":
        record = read_samples(path, name, labels, rate, folder.notes)
    else:
        raise fields.fault("file", f"{name!r} is neither .csv nor .c3d", "name one of the two")
    if record.time.size < FEWEST:
        raise InputError(
            name, f"{record.time.size} samples in all", f"expected at least {FEWEST}", field="time"
        )
    sd = record.sd
    if sd is None or fields.has("sd"):
        stated = fields.number("sd", "length", low=1e-7, high=0.1)
        sd = np.full(record.position.shape[:2], stated) if sd is None else sd
    return _assemble(folder, fields, line, record, sd, list(labels), stations)


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
    if missing:
        fate = "points without a label may be theirs" if loose else "left out"
        folder.notes.append(f"{name} has no marker {', '.join(missing)}; {fate}.")
    never = [v for v, has in zip(labels, seen, strict=True) if not has and v not in missing]
    if never and not loose:
        folder.notes.append(f"{name}: marker {', '.join(never)} was never seen; left out.")
    unused = [label for label in record.present if label not in labels]
    if unused:
        shown = ", ".join(unused[:8]) + (" ..." if len(unused) > 8 else "")
        folder.notes.append(f"{name}: {len(unused)} labels without a station ({shown}): not used.")
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
            assert table is not None
            raise table.fault(
                markers.labels[b],
                f"markers {labels} are usually {np.median(chord):.3g} m apart, "
                f"with {arc:.3g} m of line between them",
                "check the stations, the labels and the units",
            )


def read_stations(fields: Fields, length: float) -> dict[str, float]:
    """A `stations` table: label -> arc length on the line [m]."""
    table = fields.sub("stations", required=True)
    assert table is not None
    if not table.table:
        raise fields.fault("stations", "lists nothing", "give at least one label and its station")
    stations = {}
    for label in table.table:
        if not label.strip() or label != label.strip() or not label.isprintable():
            raise table.fault(label, "is not a usable label", "use printable characters")
        if len(label) > 100:
            raise table.fault(label, "is a label of over 100 characters", "shorten it")
        stations[label] = table.number(label, "length")
        if not 0.0 <= stations[label] <= length * (1 + 1e-9):
            raise table.fault(
                label,
                f"{stations[label]:g} m lies outside the line",
                f"expected 0 to {length:g} m",
            )
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


def read_samples(
    path: Path, where: str, labels: tuple[str, ...], rate: float | None, notes: list[str]
) -> MarkerSamples:
    """Samples of `labels` from a CSV of one row a marker and sample."""
    table = read_table(path, where, COLUMNS)
    notes += [f"{where}: column {c!r} is not used." for c in table.unknown]
    grid = _grid(table)
    if grid.count * len(labels) > 200 * table.rows + 10_000_000:
        raise InputError(where, "is nearly all gap", "list fewer labels", field="marker")
    time = grid.time
    if rate is not None and abs(rate / grid.rate - 1) * grid.count > OFF_RATE:
        # As for C3D: the samples keep their numbers, and only the rate between them is corrected.
        notes.append(f"{where}: times say {grid.rate:g} Hz; {rate:g} Hz was taken as stated.")
        time = time * (grid.rate / rate)
    names = table.texts["marker"]
    code = table.codes["marker"]
    _refuse_doubles(table, grid, code, names)
    # A long table fills much of the memory: each column is let go once it is in its place.
    del table.numbers["time"]
    sample = grid.sample
    bare = np.flatnonzero(code == names.index("")) if "" in names else np.empty(0, dtype=np.intp)
    loose = np.stack([table.numbers[name][bare] for name in "xyz"], axis=1)
    loose_time = time[sample[bare]]
    column = np.array([labels.index(n) if n in labels else -1 for n in names], dtype=np.int32)
    place = column[code]
    on_line = place >= 0
    wanted = slice(None) if on_line.all() else on_line
    sample, place = sample[wanted], place[wanted]
    position = np.full((grid.count, len(labels), 3), np.nan)
    for axis, name in enumerate("xyz"):
        position[sample, place, axis] = table.numbers.pop(name)[wanted]
    sd = None
    if "sd" in table.numbers:
        sd = np.full((grid.count, len(labels)), float(np.median(table.numbers["sd"])))
        sd[sample, place] = table.numbers.pop("sd")[wanted]
    return MarkerSamples(time, position, sd, tuple(n for n in names if n), loose_time, loose)


def _grid(table: Table) -> UniformClock:
    times = table.numbers["time"]
    grid = fit(times)
    distinct = 1 if grid is None else np.unique(grid.sample).size
    if grid is None or distinct < FEWEST:
        raise InputError(
            table.where, f"{distinct} samples in all", f"expected at least {FEWEST}", field="time"
        )
    if not 1.0 <= grid.rate <= 1e5:
        raise table.fault(
            0,
            "time",
            f"a rate of {grid.rate:g} Hz is not plausible",
            "expected 1 Hz to 100 kHz; check the unit in the heading",
        )
    worst = int(np.argmax(np.abs(grid.off)))
    if grid.count > SPARSE * distinct:
        last = int(np.argmax(times))
        raise table.fault(
            last, "time", f"{times[last]:g} s leaves a record that is nearly all gap", "correct it"
        )
    if abs(grid.off[worst]) > OFF_RATE:
        raise table.fault(
            worst,
            "time",
            f"{times[worst]:.9g} s is {abs(grid.off[worst]):.2f} samples off {grid.rate:.6g} Hz",
            f"times keep one rate to {OFF_RATE} samples",
        )
    return replace(grid, off=np.empty(0))


def _refuse_doubles(
    table: Table, grid: UniformClock, code: NDArray[np.int32], names: list[str]
) -> None:
    """Two rows of one marker at one sample; points without a label may be many."""
    key = grid.sample * len(names) + code
    places = grid.count * len(names)
    if places <= 8 * key.size + 1_000_000:
        taken = np.zeros(places, dtype=np.bool_)
        taken[key] = True
        if int(taken.sum()) == key.size:
            return
    rows = np.arange(key.size)
    if "" in names:
        rows = rows[code != names.index("")]
    order = rows[np.argsort(key[rows], kind="stable")]
    doubled = order[1:][np.diff(key[order]) == 0]
    if doubled.size:
        row = int(doubled.min())
        label, moment = names[code[row]], table.numbers["time"][row]
        raise table.fault(
            row, "marker", f"a second row of {label!r} at {moment:.6g} s", "keep one of them"
        )
