"""Mends made by hand: `TRIAL.mends.toml` beside a trial folder, applied and reported."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from lashwave.files import mends_points, mends_samples
from lashwave.files.fields import Fields, parse_toml
from lashwave.files.source import LARGEST_DESCRIPTION, Folder, sha256
from lashwave.quantities import Camera, InputError, Line, Markers

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
            line, self.said[i] = mends_samples.set_entry(mend, line)
        return line

    def sightings(self, root: Fields, markers: Markers, cameras: tuple[Camera, ...]) -> Sightings:
        """Markers and cameras with the mends of sightings."""
        on_marker: dict[str, Callable[..., tuple[Markers, str]]] = {
            "reject-marker": mends_samples.reject,
            "relabel-marker": mends_samples.relabel,
        }
        on_camera: dict[str, Callable[..., tuple[Camera, str]]] = {
            "reject-point": mends_points.reject,
            "correct-point": mends_points.correct,
            "clock-offset": mends_points.set_clock,
        }
        for i, mend in self._of(*on_marker, *on_camera):
            kind = mend.get("kind")
            if kind in on_marker:
                markers, self.said[i] = on_marker[kind](mend, root, markers)
                continue
            at = mends_points.place(mend, cameras)
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
        raise root.fault("mend", f"{len(entries)} mends", f"expected at most {MOST_MENDS}")
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
