"""The `[[cameras]]` tables: projection, clock, tracked points and strobe flashes.

The `clock` of a camera or microphone, and the events that it shares with the lab clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lashwave.files.calibration_toml import (
    Optics,
    calibration_fields,
    calibration_of,
    read_optics,
    read_size,
)
from lashwave.files.camera_errors import refuse_strange, refuse_unlike
from lashwave.files.csv_tables import Column, read_table
from lashwave.files.fields import Fields
from lashwave.files.located import check_frames, read_fronts, read_tuft_widths, refuse_doubles
from lashwave.files.marker_section import read_stations
from lashwave.files.pulses import Pulses, read_pulses
from lashwave.files.source import Folder
from lashwave.files.still_marks import read_marks
from lashwave.files.time_stamps import read_stamps
from lashwave.files.windows import read_window, refuse_one_film, refuse_outside
from lashwave.quantities import (
    Array,
    Calibration,
    Camera,
    Clock,
    Event,
    Tied,
    Window,
    even_frames,
    tied,
)

FRAME_SD = 0.3
"""[frames]; an event seen in a frame lies within half of one either way: 1 / sqrt(12)."""


def read_clock(
    folder: Folder,
    fields: Fields,
    whose: str,
    rate: float | None = None,
    stamps: Array | None = None,
    pulses: tuple[Event, ...] = (),
) -> Clock:
    """The `clock` table, tied by `events` where there are some; what is assumed is noted.

    Parameters
    ----------
    rate : of a camera, whose events state a frame [Hz]; None for a microphone, whose events state
        a time in its record.
    stamps : (N, 2) of the camera, as `Camera.stamps`.
    pulses : events of its own that a channel recorded.
    """
    table = fields.sub("clock")
    stated = Clock()
    if table is not None:
        table.expect("offset", "offset_sd", "drift_sd")
        stated = Clock(
            offset=table.number("offset", "time", 0.0, -1e6, 1e6),
            offset_sd=table.number("offset_sd", "time", Clock().offset_sd, 0.0, 10.0),
            drift_sd=table.number("drift_sd", "ratio", 0.0, 0.0, 0.01),
        )
    events = [*pulses, *(_event(one, rate, stamps) for one in fields.subs("events"))]
    if not events:
        if table is None or not table.table:
            sd = stated.offset_sd
            folder.notes.append(f"{whose} states no clock: offset 0 s, sd {sd:g} s taken.")
        return stated
    said = table is not None and (table.has("offset") or table.has("offset_sd"))
    found = tied(events, stated.drift_sd, stated if said else None)
    folder.notes.append(f"{whose}: {_agreement(found, stated if said else None)}.")
    return found.clock


def _event(fields: Fields, rate: float | None, stamps: Array | None) -> Event:
    own = ("frame", "frame_sd") if rate is not None else ("at", "at_sd")
    fields.expect("time", "time_sd", *own, "what")
    fields.text("what", None)
    time = fields.number("time", "time", low=-1e6, high=1e6)
    time_sd = fields.number("time_sd", "time", above=0.0, high=10.0)
    if rate is None:
        at = fields.number("at", "time", low=0.0, high=1e6)
        return Event(time, time_sd, at, fields.number("at_sd", "time", above=0.0, high=10.0))
    frame = fields.number("frame", "ratio", low=0.0, high=1e5 * rate)
    frame_sd = fields.number("frame_sd", "ratio", FRAME_SD, high=1e6, above=0.0)
    even = float(even_frames(stamps, rate, frame))
    return Event(time, time_sd, even / rate, frame_sd / rate)


def _agreement(found: Tied, stated: Clock | None) -> str:
    """What the events did to the clock, in words."""
    clock, count = found.clock, found.residual.size
    what = "1 shared event" if count == 1 else f"{count} shared events"
    text = f"clock offset {clock.offset:.6f} s, sd {1e6 * clock.offset_sd:.3g} us, by {what}"
    if stated is not None:
        text += f" and the stated {stated.offset:.6f} s, sd {1e6 * stated.offset_sd:.3g} us"
    if found.contradicted:
        worst = int(np.abs(found.residual).argmax())
        text += (
            f"; they contradict each other (event {worst + 1} is "
            f"{abs(found.residual[worst]):.3g} sd off), so the deviation was widened: mend one"
        )
    return text


_KEYS = (
    "name", "rate", "size", "exposure", "shows", "calibration", "projection", "registration_sd",
    "intrinsics", "distortion", "points", "frames", "fronts", "tuft", "sd", "clock", "events",
    "flashes", "stations", "times", "pulses", "strobe", "lens_model", "mirrored", "window",
    "marks", "register",
)  # fmt: skip
FINEST = 1e-3
"""No point is known better [px]; a smaller deviation is a slip, and would drown all others."""
UNSTATED_SD = 0.5
"""Of a camera whose points are yet to be found, each with its own [px]."""
_CALIBRATION = ("projection", "intrinsics", "distortion", "lens_model", "mirrored")
WIDEST = (100_000, 100_000)
BLIND = Optics(np.eye(3, 4), None, None)
"""What reading goes on with where size and projection are at fault and all faults are sought."""


@dataclass(frozen=True)
class _Points:
    """Tracked points of one camera."""

    frame: NDArray[np.int64]
    station: Array
    uv: Array
    sd: Array


_NONE = _Points(
    np.empty(0, dtype=np.int64), np.empty(0), np.empty((0, 2)), np.empty(0)
)  # fmt: skip


def read_cameras(
    folder: Folder, root: Fields, length: float, pictured: bool = False
) -> tuple[Camera, ...]:
    """All cameras of a trial that have points; the others are noted.

    With `pictured` those too whose points are still in their images; they have none.

    Raises InputError for two cameras of one name, a name that is no file's, and fields that are not
    as they should be.
    """
    cameras: list[Camera] = []
    names: set[str] = set()
    calibrated: list[tuple[Fields, Calibration]] = []
    tables = root.subs("cameras")
    for fields in tables:
        fields.expect(*_KEYS)
        name = fields.attempt("name", partial(fields.text, "name", longest=60), "")
        if ":" in name or "/" in name:
            fields.refuse("name", f"{name!r} holds : or /", "use letters, digits and dashes")
        if name in names:
            fields.refuse("name", f"{name!r} names two cameras", "give each its own name")
        if name:
            names.add(name)
        camera = _camera(folder, root, fields, name, length, pictured)
        if camera is not None:
            cameras.append(camera)
            if camera.calibration is not None:
                calibrated.append((fields, camera.calibration))
    refuse_one_film(tables)
    refuse_unlike(calibrated)
    return tuple(cameras)


def _camera(
    folder: Folder, root: Fields, fields: Fields, name: str, length: float, pictured: bool
) -> Camera | None:
    timing = _timing(folder, root, fields, name)
    rate = timing.rate
    size = fields.attempt("size", lambda: read_size(fields), WIDEST)
    exposure = _exposure(fields, rate)
    shows = fields.text("shows", "schlieren", ("schlieren", "line", "dots"))
    flashes = fields.attempt("flashes", lambda: _flashes(folder, fields, rate), _NONE.frame)
    fronts = fields.attempt("fronts", lambda: read_fronts(folder, fields, size, rate), None)
    alone = len(root.subs("cameras")) == 1
    tuft = fields.attempt("tuft", lambda: read_tuft_widths(folder, fields, rate, alone), None)
    fields.attempt("frames", lambda: _look_at_images(folder, fields, name, pictured), None)
    optics, registration_sd, calibration = fields.attempt(
        "projection", lambda: _optics(folder, fields, size), (BLIND, 0.0, None)
    )
    window = fields.attempt("window", lambda: read_window(fields, size), None)
    points: _Points | None = _NONE
    if fields.has("points"):
        points = fields.attempt(
            "points", lambda: _points(folder, fields, (size, window), rate, length), _NONE
        )
    elif not fields.has("frames"):
        fields.refuse("points", "is missing", "give points or frames")
    elif not pictured:
        folder.notes.append(f"camera {name} has no points file: left out.")
        return None
    if points is None:
        folder.notes.append(f"camera {name} saw no feature that has a station: left out.")
        return None
    sd = fields.number("sd", "pixel", None, FINEST, 100.0)
    if sd is None:
        sd = float(np.median(points.sd)) if points.sd.size else UNSTATED_SD
    return Camera(
        name=name,
        rate=rate,
        size=size,
        projection=optics.projection,
        clock=timing.clock,
        sd=sd,
        exposure=exposure,
        shows=shows,
        registration_sd=registration_sd,
        calibration=calibration,
        intrinsics=optics.intrinsics,
        distortion=optics.distortion,
        mirrored=optics.mirrored,
        window=window,
        frame=points.frame,
        station=points.station,
        uv=points.uv,
        point_sd=points.sd,
        marks=fields.attempt("marks", lambda: read_marks(folder, fields, size), None),
        register=fields.flag("register"),
        flashes=flashes,
        fronts=fronts,
        tuft=tuft,
        stamps=timing.stamps,
        flash_times=timing.strobe,
    )


def _exposure(fields: Fields, rate: float) -> float:
    exposure = fields.number("exposure", "time", 0.0, 0.0, 1.0)
    if exposure > 1.001 / rate:
        right = f"expected at most {1 / rate:.4g} s, one over the rate"
        fields.refuse("exposure", f"{fields.shown('exposure')} is longer than a frame", right)
    return float(exposure)


class _Timing(NamedTuple):
    """When a camera's frames were exposed, as far as its files say."""

    rate: float
    clock: Clock
    stamps: Array | None
    strobe: Array | None


def _timing(folder: Folder, root: Fields, fields: Fields, name: str) -> _Timing:
    """Rate, clock and time stamps; pulses of all frames say the rate better than a stated one."""
    rate = fields.number("rate", "frequency", low=1.0, high=1e8)
    pulses = fields.attempt(
        "pulses", lambda: read_pulses(folder, root, fields, name, rate), Pulses()
    )
    rate = pulses.rate or rate
    stamps = fields.attempt("times", lambda: read_stamps(folder, fields, name, rate), None)
    whose, events = f"camera {name}", pulses.events
    clock = fields.attempt(
        "clock", lambda: read_clock(folder, fields, whose, rate, stamps, events), Clock()
    )
    return _Timing(rate, clock, stamps, pulses.flashes)


def _optics(
    folder: Folder, fields: Fields, size: tuple[int, int]
) -> tuple[Optics, float, Calibration | None]:
    """How the camera maps the lab, and how well that is known: [px], and by its file's covariance.

    What the trial itself states of it goes before the file's.
    """
    source = fields
    if fields.has("calibration"):
        for key in _CALIBRATION:
            if fields.has(key):
                fields.refuse(key, "stands beside a calibration file", "keep one of the two")
        source = calibration_fields(
            folder,
            fields.text("calibration"),
            fields.where,
            fields.line("calibration"),
            fields.name("calibration"),
        )
        if source.has("size") and size != WIDEST and read_size(source) != size:
            right = "calibrate with images of the trial's size"
            raise source.fault("size", f"is not the camera's {size[0]} x {size[1]} px", right)
    here = fields if fields.has("registration_sd") else source
    optics = read_optics(source)
    sd = here.number("registration_sd", "pixel", 0.0, 0.0, 1e4)
    if here is fields or not source.has("parameters"):
        return optics, sd, None
    calibration = calibration_of(source, optics, size)
    refuse_strange(source, calibration.parameters)
    return optics, sd, calibration


def _points(
    folder: Folder,
    fields: Fields,
    view: tuple[tuple[int, int], Window | None],
    rate: float,
    length: float,
) -> _Points | None:
    """The rows of the points file whose feature has a station; None where there are none.

    view : size of the pictures, and the camera's window of them.
    """
    size, window = view
    stations = fields.attempt("stations", lambda: read_stations(fields, length), {})
    name = fields.text("points")
    path = folder.file(name, fields.where, fields.line("points"), fields.name("points"))
    width, height = size
    # A point tracked a little outside the picture is a guess; one picture outside is a slip.
    table = read_table(
        path,
        name,
        (
            Column("frame", kind="whole"),
            Column("feature", kind="text"),
            Column("u", "pixel", low=-width, high=2.0 * width),
            Column("v", "pixel", low=-height, high=2.0 * height),
            Column("sd", "pixel", False, low=FINEST, high=1000.0),
        ),
    )
    folder.notes += [f"{name}: column {c!r} is not used." for c in table.unknown]
    names, code = table.texts["feature"], table.codes["feature"]
    frame = table.numbers["frame"]
    if window is not None:
        refuse_outside(table, window)
    check_frames(table, rate)
    refuse_doubles(table, frame * len(names) + code)
    unknown = [n for n in names if n not in stations]
    if unknown:
        shown = ", ".join(repr(n) for n in unknown[:6])
        folder.notes.append(f"{name}: feature {shown} has no station: not used.")
    absent = [n for n in stations if n not in names]
    if absent:
        folder.notes.append(f"{name} has no feature {', '.join(absent)}.")
    arc = np.array([stations.get(n, math.nan) for n in names])[code]
    keep = np.flatnonzero(np.isfinite(arc))
    if keep.size == 0:
        return None
    keep = keep[np.lexsort((arc[keep], frame[keep]))]
    if "sd" in table.numbers:
        sd = table.numbers["sd"][keep]
    else:
        sd = np.full(keep.size, fields.number("sd", "pixel", low=FINEST, high=100.0))
    uv = np.stack([table.numbers["u"][keep], table.numbers["v"][keep]], axis=1)
    return _Points(frame[keep].astype(np.int64), arc[keep], uv, sd)


def _flashes(folder: Folder, fields: Fields, rate: float) -> NDArray[np.int64]:
    if not fields.has("flashes"):
        return np.empty(0, dtype=np.int64)
    name = fields.text("flashes")
    path = folder.file(name, fields.where, fields.line("flashes"), fields.name("flashes"))
    table = read_table(path, name, (Column("frame", kind="whole"),))
    check_frames(table, rate)
    refuse_doubles(table, table.numbers["frame"])
    return np.sort(table.numbers["frame"]).astype(np.int64)


def _look_at_images(folder: Folder, fields: Fields, name: str, pictured: bool) -> None:
    """Images are named here, inside the folder; they are read where they are wanted."""
    if fields.has("frames"):
        pattern = fields.text("frames")
        folder.inside(pattern, fields.where, fields.line("frames"), fields.name("frames"))
        if not pictured:
            folder.notes.append(f"camera {name}: images are not read by this command.")
