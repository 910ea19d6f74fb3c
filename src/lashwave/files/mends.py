"""Mends made by hand: `TRIAL.mends.toml` beside a trial folder, applied and reported."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.files.fields import Fields, parse
from lashwave.files.source import LARGEST_DESCRIPTION, Folder, sha256
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Camera, Markers

Sightings = tuple[Markers, tuple[Camera, ...]]


def apply_mends(folder: Folder, markers: Markers, cameras: tuple[Camera, ...]) -> Sightings:
    """Markers and cameras with the mends of the file beside the folder, where there is one.

    A mend is a `[[mend]]` with `kind = "reject-marker"` (`marker`, and optionally `from` and `to`
    on the lab clock) or `kind = "clock-offset"` (`camera`, `offset`, optionally `offset_sd`), and
    optionally a `reason`.
    """
    path = folder.root.parent / f"{folder.root.name}.mends.toml"
    if not path.is_file():
        return markers, cameras
    if path.stat().st_size > LARGEST_DESCRIPTION:
        raise InputError(path.name, "is too large for mends", "keep [[mend]] tables", field="mend")
    folder.hashes[path.name] = sha256(path)
    root = parse(path.read_bytes(), path.name).expect("schema", "mend")
    if root.get("schema", 1) != 1:
        raise root.fault("schema", f"{root.get('schema')!r} is not known", "write schema = 1")
    for mend in root.subs("mend"):
        mend.expect("kind", "marker", "from", "to", "camera", "offset", "offset_sd", "reason")
        reason = mend.text("reason", "")
        kind = mend.text("kind", choices=("reject-marker", "clock-offset"))
        if kind == "reject-marker":
            markers, what = _reject(mend, markers)
        else:
            cameras, what = _set_clock(mend, cameras)
        folder.notes.append(f"mended by hand: {what}" + (f" ({reason})." if reason else "."))
    return markers, cameras


def _reject(mend: Fields, markers: Markers) -> tuple[Markers, str]:
    label = mend.text("marker")
    if label not in markers.labels:
        raise mend.fault("marker", f"{label!r} is no marker of the trial", "name one that was seen")
    begin = mend.number("from", "time", float(markers.time[0]))
    end = mend.number("to", "time", float(markers.time[-1]))
    if end < begin:
        raise mend.fault("to", f"{end:g} s is before {begin:g} s", "give the later time")
    # Half a sample of slack, so that a time typed from a plot takes the sample it names.
    slack = 0.5 / markers.rate
    span = (markers.time >= begin - slack) & (markers.time <= end + slack)
    column = markers.labels.index(label)
    position = markers.position.copy()
    lost = int(np.isfinite(position[span, column, 0]).sum())
    position[span, column] = np.nan
    return replace(markers, position=position), f"{lost} samples of marker {label} set aside"


def _set_clock(mend: Fields, cameras: tuple[Camera, ...]) -> tuple[tuple[Camera, ...], str]:
    name = mend.text("camera")
    if name not in [camera.name for camera in cameras]:
        raise mend.fault("camera", f"{name!r} is no camera of the trial", "name one with points")
    offset = mend.number("offset", "time", low=-1e6, high=1e6)
    changed = []
    for camera in cameras:
        if camera.name == name:
            sd = mend.number("offset_sd", "time", camera.clock.offset_sd, 0.0, 10.0)
            clock = replace(camera.clock, offset=offset, offset_sd=sd)
            camera = replace(camera, clock=clock)
        changed.append(camera)
    return tuple(changed), f"clock offset of camera {name} set to {offset:g} s"
