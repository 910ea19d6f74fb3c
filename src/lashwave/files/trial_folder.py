"""A trial folder as a `Trial`: all of `docs/trial-folder.md`, checked field by field.

For `locate` its images and sounds are opened too.
"""

from __future__ import annotations

import datetime
import os
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from lashwave.files.cameras import read_cameras, read_clock
from lashwave.files.fields import Fields, parse_toml
from lashwave.files.located import read_onsets
from lashwave.files.marker_section import read_markers, read_stations
from lashwave.files.mends import read_mends
from lashwave.files.source import LARGEST_DESCRIPTION, Folder
from lashwave.files.specimen import UNMEASURED, read_line
from lashwave.files.wav import read_wav
from lashwave.quantities import (
    TRIAL_GRAVITY,
    Air,
    Array,
    Camera,
    Clock,
    Frames,
    InputError,
    Line,
    Markers,
    Microphone,
    Pictures,
    Trial,
    counted,
)

DESCRIPTION = "trial.toml"
SCHEMA = 1
UNKNOWN = Line(UNMEASURED["station"], UNMEASURED["diameter"], UNMEASURED["linear_density"])
UNSEEN = Markers(np.empty(0), (), np.empty((0, 0, 3)), np.empty((0, 0)), np.empty(0))
"""What reading goes on with where line and markers are at fault and all faults are sought."""


def read_trial(path: Path) -> Trial:
    """Read a trial folder; nothing in it is changed.

    Parameters
    ----------
    path : the folder that holds trial.toml.

    Raises
    ------
    InputError
        One line: file, line, field, what is wrong, what would be right.
    """
    folder = Folder(Path(os.path.abspath(path)))
    trial = assembled(folder, read_description(folder, path))
    folder.refuse_changed()
    return trial


def read_description(
    folder: Folder, path: Path, gathered: list[InputError] | None = None
) -> Fields:
    """The root table of trial.toml, of a schema that is known; faults of fields may be gathered.

    Raises InputError for no folder, no file, bad syntax and a schema that is not known.
    """
    root = replace(_description(folder, path), found=gathered)
    root.expect("schema", "trial", "air", "line", "markers", "cameras", "microphones")
    schema = root.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        raise root.fault("schema", f"{schema!r} is not known", f"write schema = {SCHEMA}")
    return root


def assembled(folder: Folder, root: Fields, pictured: bool = False) -> Trial:
    """The trial that trial.toml and its files describe.

    With `pictured` what is still in images may be missing: a camera's points, and the markers
    where a camera shows dots. Mends by hand are applied: those of the description before any
    file is read, those of sightings after.

    Raises InputError for the first fault; where faults are gathered, after the last part is read.
    """
    mends = read_mends(folder)
    root = mends.description(root)
    head = _head(root)
    line = root.attempt(
        "line", lambda: mends.line(read_line(folder, root.sub("line", required=True))), UNKNOWN
    )
    air = root.attempt("air", lambda: _air(folder, root.sub("air")), Air())
    tables = root.attempt("cameras", lambda: root.subs("cameras"), [])
    dots = pictured and any(c.table.get("shows") == "dots" for c in tables)
    table = partial(root.sub, "markers", required=True)
    markers = root.attempt("markers", lambda: read_markers(folder, table(), line, dots), UNSEEN)
    cameras = root.attempt("cameras", lambda: read_cameras(folder, root, line.length, pictured), ())
    microphones = root.attempt("microphones", lambda: _microphones(folder, root), ())
    if root.found:
        raise root.found[0]
    onsets = read_onsets(folder, DESCRIPTION, microphones)
    markers, cameras = mends.sightings(root, markers, cameras)
    folder.notes += mends.notes
    return Trial(
        name=head.text("name"),
        line=line,
        markers=markers,
        cameras=cameras,
        microphones=microphones,
        onsets=tuple(onsets),
        air=air,
        gravity=_gravity(head),
        specimen=head.text("specimen", None),
        thrower=head.text("thrower", None),
        date=_date(head),
        hashes=dict(folder.hashes),
        notes=tuple(folder.notes),
    )


def read_with_faults(path: Path) -> tuple[Trial | None, list[InputError]]:
    """A trial folder, or every fault of it in the order of trial.toml, each with its `part`.

    Returns None for a trial with a fault. Points may still be in pictures. After a fault reading
    goes on with a stand-in, so one fault hides no other; of a table in a file the first is given.
    """
    faults: list[InputError] = []
    folder = Folder(Path(os.path.abspath(path)))
    try:
        return assembled(folder, read_description(folder, path, faults), pictured=True), []
    except InputError as last:
        if last not in faults:
            faults.append(last)
        return None, faults


def _head(root: Fields) -> Fields:
    """The `[trial]` table, checked."""
    head = root.attempt("trial", lambda: root.sub("trial", required=True), replace(root, table={}))
    if head.table:
        head.expect("name", "specimen", "thrower", "date", "gravity")
        for key in ("specimen", "thrower"):
            head.attempt(key, partial(head.text, key, None), None)
        head.attempt("name", lambda: head.text("name"), "")
        head.attempt("gravity", lambda: _gravity(head), None)
        head.attempt("date", lambda: _date(head), None)
    return head


def _description(folder: Folder, path: Path) -> Fields:
    if not folder.root.is_dir():
        problem = "is not a folder" if folder.root.exists() else "does not exist"
        raise InputError(path, problem, "name a trial folder", field="TRIAL")
    if not (folder.root / DESCRIPTION).exists():
        raise InputError(
            path / DESCRIPTION, "does not exist", "name a folder that holds it", field="TRIAL"
        )
    file = folder.file(DESCRIPTION, DESCRIPTION, None, "TRIAL")
    if file.stat().st_size > LARGEST_DESCRIPTION:
        raise InputError(DESCRIPTION, "is over 4 MB", "keep samples in CSV files", field="size")
    return parse_toml(file.read_bytes(), DESCRIPTION)


def _air(folder: Folder, fields: Fields | None) -> Air:
    air = Air()
    if fields is None:
        folder.notes.append("no [air] given: 20 degC, 101.325 kPa and humidity 0.5 taken.")
        return air
    fields.expect("temperature", "pressure", "relative_humidity")
    missing = [k for k in ("temperature", "pressure", "relative_humidity") if not fields.has(k)]
    if missing:
        folder.notes.append(f"air: no {' and no '.join(missing)} given: the default was taken.")
    return Air(
        temperature=fields.number("temperature", "temperature", air.temperature, 233.15, 333.15),
        pressure=fields.number("pressure", "pressure", air.pressure, 3e4, 1.2e5),
        relative_humidity=fields.number("relative_humidity", "ratio", 0.5, 0.0, 1.0),
    )


def _gravity(head: Fields) -> Array:
    if not head.has("gravity"):
        return np.array(TRIAL_GRAVITY)
    gravity = head.array("gravity", (3,))
    if np.linalg.norm(gravity) > 30.0:
        raise head.fault("gravity", "is over 30 m/s2", "write three numbers in m/s2")
    return gravity


def _date(head: Fields) -> str | None:
    date = head.get("date", None)
    if date is None or isinstance(date, datetime.date):
        return None if date is None else date.isoformat()
    text = str(head.text("date", None))
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError:
        raise head.fault("date", f"{text!r} is no date", "write it as 2026-05-04") from None
    return text


def _channel(fields: Fields) -> int | None:
    channel = fields.get("channel", None)
    whole = isinstance(channel, int) and not isinstance(channel, bool) and 1 <= channel <= 1024
    if channel is not None and not whole:
        raise fields.fault("channel", f"{channel!r} is no channel", "count from 1")
    return channel if whole else None


def _check_apart(fields: Fields, new: Microphone, known: list[Microphone]) -> None:
    """Refuse two microphones of one name, of one channel, or of one recorder with two clocks."""
    for other in known:
        if other.label == new.label:
            key = "name" if new.name else "file"
            raise fields.fault(key, f"{new.label!r} is another microphone's", "name each one")
        if other.file == new.file and (other.channel or 1) == (new.channel or 1):
            raise fields.fault("channel", "is another microphone's", "give each its channel")
        clocks = [(m.clock_offset, m.clock_offset_sd) for m in (new, other)]
        if other.shared_clock == new.shared_clock and clocks[0] != clocks[1]:
            right = "state the same clock and events for all microphones of one recorder"
            raise fields.fault("clock", f"is not that of {other.label!r}, one recorder's", right)


def _microphones(folder: Folder, root: Fields) -> tuple[Microphone, ...]:
    """Microphones by the names of their files; sound is read by the command that wants it."""
    found: list[Microphone] = []
    for fields in root.subs("microphones"):
        one = fields.attempt("file", partial(_microphone, folder, fields), None)
        if one is not None:
            _check_apart(fields, one, found)
            found.append(one)
    if found:
        folder.notes.append("sound is not read by this command.")
    return tuple(found)


def _microphone(folder: Folder, fields: Fields) -> Microphone:
    fields.expect(
        "file", "position", "sensitivity", "full_scale", "clock", "events", "name", "channel",
        "recorder",
    )  # fmt: skip
    name = fields.text("file")
    fields.attempt(
        "file",
        lambda: folder.file(name, fields.where, fields.line("file"), fields.name("file")),
        None,
    )
    position = fields.attempt("position", lambda: _position(fields), np.zeros(3))
    clock = fields.attempt(
        "clock", lambda: read_clock(folder, fields, f"microphone {name}"), Clock()
    )
    return Microphone(
        file=name,
        position=position,
        sensitivity=fields.number("sensitivity", "sensitivity", None, 1e-6, 1e3),
        clock_offset=clock.offset,
        clock_offset_sd=clock.offset_sd,
        name=fields.attempt("name", lambda: fields.text("name", None), None),
        channel=fields.attempt("channel", lambda: _channel(fields), None),
        recorder=fields.attempt("recorder", lambda: fields.text("recorder", None), None),
        full_scale=fields.number("full_scale", "voltage", 1.0, above=0.0, high=1e4),
    )


def _position(fields: Fields) -> Array:
    position = fields.array("position", (3,))
    if np.abs(position).max() > 1000.0:
        raise fields.fault("position", "is over 1 km away", "write [x, y, z] in metres")
    return position


NO_SOUND = "sound is not read by this command."


def read_pictures(path: Path) -> Pictures:
    """Read a trial folder, and open the images of every camera that has no points yet.

    Sound is read as well, but for a trial that has its onsets in a table.

    Raises
    ------
    InputError
        One line, as `read_trial`; faults within an image come when it is read.
    """
    folder = Folder(Path(os.path.abspath(path)))
    root = read_description(folder, path)
    trial = assembled(folder, root, pictured=True)
    frames, tip, feature = {}, {}, {}
    for fields in root.subs("cameras"):
        name = fields.text("name")
        camera = next((c for c in trial.cameras if c.name == name), None)
        if camera is None or fields.has("points") or not fields.has("frames"):
            continue
        frames[name] = _frames(folder, fields, camera)
        if camera.shows != "dots":
            feature[name], tip[name] = _tip(fields, trial.line.length)
    sounds = {}
    for microphone in trial.microphones:
        if not trial.onsets and microphone.file not in sounds:
            sounds[microphone.file] = read_wav(folder.root / microphone.file, microphone.file)
    folder.refuse_changed()
    notes = tuple(note for note in folder.notes if note != NO_SOUND)
    trial = replace(trial, hashes=dict(folder.hashes), notes=notes)
    return Pictures(trial, frames, tip, feature, sounds)


def _frames(folder: Folder, fields: Fields, camera: Camera) -> Frames:
    """The images of a camera; raw that only looks like grey is refused by its first image."""
    from lashwave.files.frame_files import open_frames  # here: most trials have no images
    from lashwave.files.grey import raw_kind

    pattern = fields.text("frames")
    frames = open_frames(
        folder, pattern, fields.where, fields.line("frames"), fields.name("frames"), camera.size
    )
    if camera.stamps is not None and len(frames) != camera.stamps[-1, 0] + 1:
        rows = int(camera.stamps[-1, 0]) + 1
        raise fields.fault(
            "times", f"has {counted(rows, 'row')} for {counted(len(frames), 'image')}",
            "write a row an image; a frame that was dropped has neither",
        )  # fmt: skip
    raw = raw_kind(frames[0]) if len(frames) else None
    if raw is not None:
        raise fields.fault("frames", f"{pattern!r} {raw[0]}", raw[1])
    return frames


def _tip(fields: Fields, length: float) -> tuple[str, float]:
    """The feature that is the line's tip, and its station: the farthest of those listed."""
    stations = fields.sub("stations")
    if stations is None or not stations.table:
        return "tip", length
    placed = read_stations(fields, length)
    name = max(placed, key=lambda k: placed[k])
    return name, placed[name]
