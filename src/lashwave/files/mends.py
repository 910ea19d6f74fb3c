"""Mends made by hand: `TRIAL.mends.toml` beside a trial folder, applied and reported.

They change marker samples, points of cameras, clocks, and the line's table.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.fields import Fields, parse_toml
from lashwave.files.marker_section import read_stations
from lashwave.files.source import LARGEST_DESCRIPTION, Folder, sha256
from lashwave.quantities import Camera, InputError, Line, Markers, counted

Sightings = tuple[Markers, tuple[Camera, ...]]

MEND_FIELDS: dict[str, tuple[str, ...]] = {
    "reject-marker": ("marker", "from", "to"),
    "relabel-marker": ("marker", "as", "from", "to"),
    "reject-point": ("camera", "feature", "from", "to"),
    "correct-point": ("camera", "feature", "frame", "u", "v", "sd"),
    "clock-offset": ("camera", "offset", "offset_sd"),
    "station": ("marker", "station"),
    "line-table": ("table",),
    "line-entry": ("station", "column", "value"),
}
"""Kinds of mends, and the fields of each beside `kind` and `reason`."""
MOST_MENDS = 10_000
"""Mends of a trial."""
_DESCRIBING = ("station", "line-table")


@dataclass
class Mends:
    """The mends of one trial, in the order in which they were made."""

    entries: list[Fields]
    said: dict[int, str] = field(default_factory=dict)
    """What each mend did, by its place."""

    @property
    def notes(self) -> list[str]:
        """A sentence for the user of each mend, in their order."""
        notes = []
        for i, mend in enumerate(self.entries):
            if i in self.said:
                reason = mend.text("reason", "")
                ending = f" ({reason})." if reason else "."
                notes.append(f"mended by hand: {self.said[i]}{ending}")
        return notes

    def description(self, root: Fields) -> Fields:
        """The root of trial.toml with another line table and other stations of markers.

        Raises InputError for a marker without a station.
        """
        table = dict(root.table)
        for i, mend in self._of(*_DESCRIBING):
            if mend.get("kind") == "line-table":
                name = mend.text("table", longest=1000)
                table["line"] = {**_known(root, table, "line"), "table": name}
                self.said[i] = f"line table {name} taken"
                continue
            label, station = mend.text("marker"), mend.number("station", "length", low=0.0)
            markers = _known(root, table, "markers")
            stations = markers.get("stations", {})
            if not isinstance(stations, dict) or label not in stations:
                raise mend.fault("marker", f"{label!r} has no station", "name one that has")
            table["markers"] = {**markers, "stations": {**stations, label: station}}
            self.said[i] = f"marker {label} put at station {station:g} m"
        return replace(root, table=table)

    def line(self, line: Line) -> Line:
        """The line with single entries of its table changed."""
        for i, mend in self._of("line-entry"):
            line, self.said[i] = set_entry(mend, line)
        return line

    def sightings(self, root: Fields, markers: Markers, cameras: tuple[Camera, ...]) -> Sightings:
        """Markers and cameras with the mends of sightings."""
        on_marker: dict[str, Callable[..., tuple[Markers, str]]] = {
            "reject-marker": reject_samples,
            "relabel-marker": relabel,
        }
        on_camera: dict[str, Callable[..., tuple[Camera, str]]] = {
            "reject-point": reject_points,
            "correct-point": correct,
            "clock-offset": set_clock,
        }
        for i, mend in self._of(*on_marker, *on_camera):
            kind = mend.get("kind")
            if kind in on_marker:
                markers, self.said[i] = on_marker[kind](mend, root, markers)
                continue
            at = place(mend, cameras)
            camera, self.said[i] = on_camera[kind](mend, root, cameras[at])
            cameras = (*cameras[:at], camera, *cameras[at + 1 :])
        return markers, cameras

    def _of(self, *kinds: str) -> list[tuple[int, Fields]]:
        return [(i, m) for i, m in enumerate(self.entries) if m.get("kind") in kinds]


def read_mends(folder: Folder) -> Mends:
    """The mends of the file beside the folder; none where there is no file.

    Raises
    ------
    InputError
        For a file that is no TOML, a mend of no known kind, and fields that the kind has not.
    """
    path = folder.root.parent / f"{folder.root.name}.mends.toml"
    data = folder.mends
    if data is None:
        if not path.is_file():
            return Mends([])
        if path.stat().st_size > LARGEST_DESCRIPTION:
            raise InputError(
                path.name, "is too large for mends", "keep [[mend]] tables", field="mend"
            )
        folder.hashes[path.name] = sha256(path)
        data = path.read_bytes()
    return Mends(parse_mends(data, path.name))


def parse_mends(data: bytes, where: str) -> list[Fields]:
    """The `[[mend]]` tables of a text, each of a known kind and with that kind's fields only.

    Raises InputError for a schema or a kind that is not known, a field of another kind, and too
    many mends.
    """
    root = parse_toml(data, where).expect("schema", "mend")
    if root.get("schema", 1) != 1:
        raise root.fault("schema", f"{root.get('schema')!r} is not known", "write schema = 1")
    entries = root.subs("mend")
    if len(entries) > MOST_MENDS:
        raise root.fault(
            "mend", f"holds {counted(len(entries), 'mend')}", f"expected at most {MOST_MENDS}"
        )
    for mend in entries:
        kind = mend.text("kind", choices=tuple(MEND_FIELDS))
        mend.expect("kind", "reason", *MEND_FIELDS[kind])
        mend.text("reason", "", longest=1000) if mend.get("reason", "") else None
    return entries


def _known(root: Fields, table: dict[str, Any], key: str) -> dict[str, Any]:
    found = table.get(key)
    if not isinstance(found, dict):
        raise root.fault(key, "is missing", "add it")
    return found


LAST = 2**53
"""No frame has a larger number."""


def place(mend: Fields, cameras: tuple[Camera, ...]) -> int:
    """Which camera a mend is of.

    Raises InputError for a camera that the trial has not, or that has no points.
    """
    name = mend.text("camera")
    names = [camera.name for camera in cameras]
    if name not in names:
        raise mend.fault("camera", f"{name!r} is no camera of the trial", "name one with points")
    return names.index(name)


def set_clock(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """Another offset of a camera's clock, and how well it is known."""
    offset = mend.number("offset", "time", low=-1e6, high=1e6)
    sd = mend.number("offset_sd", "time", camera.clock.offset_sd, 0.0, 10.0)
    clock = replace(camera.clock, offset=offset, offset_sd=sd)
    return replace(camera, clock=clock), f"clock offset of camera {camera.name} set to {offset:g} s"


def reject_points(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """Points of a feature, or of all, within a span of frames set aside.

    Raises InputError for a span that ends before it begins.
    """
    begin, end = _frame(mend, "from", 0), _frame(mend, "to", LAST)
    if end < begin:
        raise mend.fault("to", f"frame {end} is before {begin}", "give the later frame")
    gone = (camera.frame >= begin) & (camera.frame <= end)
    said = "points"
    if mend.has("feature"):
        name, station = _feature(mend, root, camera)
        gone &= camera.station == station
        said = f"points of {name}"
    count = int(gone.sum())
    return _kept(camera, ~gone), f"{count} {said} in camera {camera.name} set aside"


def correct(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """A feature's place in one frame: moved where it was tracked, added where it was not."""
    name, station = _feature(mend, root, camera)
    frame = _frame(mend, "frame", None)
    width, height = camera.size
    u = mend.number("u", "pixel", low=-width, high=2.0 * width)
    v = mend.number("v", "pixel", low=-height, high=2.0 * height)
    sd = mend.number("sd", "pixel", camera.sd, above=0.0, high=1000.0)
    here = (camera.frame == frame) & (camera.station == station)
    rest = _kept(camera, ~here)
    joined = replace(
        rest,
        frame=np.append(rest.frame, np.int64(frame)),
        station=np.append(rest.station, station),
        uv=np.concatenate([rest.uv, [[u, v]]]),
        point_sd=np.append(rest.point_sd, sd),
    )
    order = np.lexsort((joined.station, joined.frame))
    what = f"{name} in frame {frame} of camera {camera.name}"
    if not here.any():
        return _kept(joined, order), f"{what} added at {u:g}, {v:g} px"
    far = float(np.hypot(*(camera.uv[here][0] - (u, v))))
    return _kept(joined, order), f"{what} moved by {far:.3g} px to {u:g}, {v:g} px"


def _kept(camera: Camera, which: Any) -> Camera:
    """The camera with some of its points, in that order."""
    return replace(
        camera,
        frame=camera.frame[which],
        station=camera.station[which],
        uv=camera.uv[which],
        point_sd=camera.point_sd[which],
    )


def _feature(mend: Fields, root: Fields, camera: Camera) -> tuple[str, float]:
    """A feature's name and its station [m], as the camera's description gives it."""
    name = mend.text("feature")
    for table in root.subs("cameras"):
        stations = table.sub("stations")
        if table.get("name", None) == camera.name and stations is not None and stations.has(name):
            return name, float(stations.number(name, "length"))
    raise mend.fault(
        "feature", f"{name!r} has no station in camera {camera.name}", "name one that has"
    )


def _frame(mend: Fields, key: str, default: int | None) -> int:
    """A whole number from 0."""
    if default is not None and not mend.has(key):
        return default
    value = mend.get(key)
    whole = isinstance(value, int | float) and not isinstance(value, bool)
    if not whole or not math.isfinite(value) or value != int(value) or not 0 <= value <= LAST:
        raise mend.fault(key, f"{value!r} is no frame", "write a whole number from 0")
    return int(value)


_COLUMNS = {
    "diameter": ("length", 1e-5, 0.2),
    "linear_density": ("linear density", 1e-7, 10.0),
    "bending_stiffness": ("bending stiffness", 0.0, 1e3),
    "axial_stiffness": ("force", 1e-3, 1e9),
}


def reject_samples(mend: Fields, root: Fields, markers: Markers) -> tuple[Markers, str]:
    """Samples of a marker within a span of lab time set aside, as if it had not been seen."""
    label = _label(mend, "marker", markers)
    span = _span(mend, markers)
    column = markers.labels.index(label)
    position = markers.position.copy()
    lost = int(np.isfinite(position[span, column, 0]).sum())
    position[span, column] = np.nan
    return replace(
        markers, position=position
    ), f"{counted(lost, 'sample')} of marker {label} set aside"


def relabel(mend: Fields, root: Fields, markers: Markers) -> tuple[Markers, str]:
    """The samples of two labels exchanged within a span of lab time, so that none is lost.

    Raises InputError for a label that is the marker's own, or that has no station.
    """
    label = _label(mend, "marker", markers)
    other = mend.text("as")
    if other == label:
        raise mend.fault("as", f"{other!r} is the marker itself", "name another marker")
    if other not in markers.labels:
        markers = _with_unseen(mend, root, markers, other)
    span = _span(mend, markers)
    two = [markers.labels.index(label), markers.labels.index(other)]
    position, sd = markers.position.copy(), markers.sd.copy()
    moved = [int(np.isfinite(position[span, i, 0]).sum()) for i in two]
    for values in (position, sd):
        first = values[span, two[0]].copy()
        values[span, two[0]] = values[span, two[1]]
        values[span, two[1]] = first
    said = f"{counted(moved[0], 'sample')} of marker {label} given to {other}"
    if moved[1]:
        said += f", and {moved[1]} of {other} to {label}"
    return replace(markers, position=position, sd=sd), said


def set_entry(mend: Fields, line: Line) -> tuple[Line, str]:
    """One number of the line's table, in the row of the station named.

    Raises InputError for a column or a row that the table has not.
    """
    station = mend.number("station", "length", low=0.0)
    column = mend.text("column", choices=tuple(_COLUMNS))
    dimension, low, high = _COLUMNS[column]
    value = mend.number("value", dimension, low=low, high=high)
    values = getattr(line, column)
    if values is None:
        raise mend.fault("column", f"the line's table has no {column}", "name one that it has")
    row = int(np.abs(line.station - station).argmin())
    if abs(line.station[row] - station) > 1e-6:
        near = f"name the nearest, {line.station[row]:g} m, or another"
        raise mend.fault("station", f"the table has no row at {mend.shown('station')}", near)
    changed = values.copy()
    changed[row] = value
    said = (
        f"{column} of the line at {station:g} m set to {value:g} in place of {values[row]:g} (SI)"
    )
    return replace(line, **{column: changed}), said


def _label(mend: Fields, key: str, markers: Markers) -> str:
    label = str(mend.text(key))
    if label not in markers.labels:
        raise mend.fault(key, f"{label!r} is no marker of the trial", "name one that was seen")
    return label


def _with_unseen(mend: Fields, root: Fields, markers: Markers, label: str) -> Markers:
    """The markers with one more that has a station and was never seen under its label."""
    table = root.sub("markers", required=True)
    stations = read_stations(table, np.inf)
    if label not in stations:
        raise mend.fault("as", f"{label!r} has no station", "name a marker that has one")
    count = markers.time.size
    return replace(
        markers,
        labels=(*markers.labels, label),
        position=np.concatenate([markers.position, np.full((count, 1, 3), np.nan)], axis=1),
        sd=np.concatenate([markers.sd, np.median(markers.sd, axis=1, keepdims=True)], axis=1),
        station=np.append(markers.station, stations[label]),
    )


def _span(mend: Fields, markers: Markers) -> NDArray[np.bool_]:
    """(T,) the samples between `from` and `to`; all where neither is given."""
    if not markers.time.size:
        raise mend.fault("marker", "the trial's markers are still in its pictures", "locate first")
    begin = mend.number("from", "time", float(markers.time[0]))
    end = mend.number("to", "time", float(markers.time[-1]))
    if end < begin:
        problem = f"{end:g} s on the lab clock is before {begin:g} s"
        raise mend.fault("to", problem, "give the later time")
    # Half a sample of slack, so that a time typed from a plot takes the sample it names.
    slack = 0.5 / markers.rate
    inside = np.asarray((markers.time >= begin - slack) & (markers.time <= end + slack))
    if not inside.any():
        record = f"{markers.time[0]:g} to {markers.time[-1]:g} s"
        raise mend.fault("from", f"{begin:g} to {end:g} s holds no sample", f"within {record}")
    return inside
