"""The plan of a calibration: a small TOML file that says what was measured, and its tables."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.calibrate import Calibrated, FilmView
from lashwave.files import (
    LARGEST_DESCRIPTION,
    Column,
    Fields,
    Folder,
    Table,
    open_frames,
    parse_toml,
    read_calibration,
    read_size,
    read_table,
    read_window,
    refuse_outside,
)
from lashwave.quantities import Array, Calibration, Frames, InputError, PartOfFilm


@dataclass(frozen=True)
class CalibrationOutcome:
    """What a plan gave."""

    kind: str
    cameras: tuple[tuple[str, Calibrated, Path], ...]
    """Name, calibration and file of each camera that was calibrated."""
    left_out: tuple[str, ...]
    """Labels of the points that did not fit, as far as they have any."""
    notes: tuple[str, ...] = ()
    """What is worth knowing of the whole."""
    facts: tuple[tuple[str, float, float | None, str], ...] = ()
    """Name, value, sd and unit of what is no camera's own."""
    kept: tuple[tuple[str, Calibration, Path], ...] = ()
    """Name, calibration and file of each camera that stays as it was, and is written with what it
    now shares with the others."""


KINDS = ("board", "points", "wand", "scale", "register", "moved")
SCHEMA = 1
FINEST = 1e-4
"""No image coordinate is known better [px]; a smaller deviation is a slip."""
TERMS = ("k1", "k2", "p1", "p2", "k3")
FISHEYE_TERMS = ("k1", "k2", "k3", "k4")


@dataclass(frozen=True)
class CalibrationPlan:
    """A plan that was read as far as all kinds have in common."""

    where: str
    folder: Folder
    root: Fields
    kind: str
    sd: float | None
    """Of one image coordinate [px]."""

    @property
    def table(self) -> Fields:
        """The table named after the kind."""
        return self.root.sub(self.kind, required=True)


@dataclass(frozen=True)
class PlannedCamera:
    """A camera of the plan, by its own view of the film: see `FilmView`."""

    name: str
    view: FilmView
    lens: Calibration | None
    """In the view's own pixels."""
    fields: Fields
    filed: Calibration | None = None
    """What `lens` names, as its file has it."""

    @property
    def size(self) -> tuple[int, int]:
        """Width, height of the view [px]."""
        return self.view.window.size


@dataclass(frozen=True)
class SeenPoints:
    """Image points of one camera, by frame and label."""

    frame: NDArray[np.int64]
    label: tuple[str, ...]
    uv: Array
    """(n, 2) [px]"""
    table: Table


@dataclass(frozen=True)
class KnownPlaces:
    """Points in the lab, by label, and by frame where the table has frames."""

    frame: NDArray[np.int64] | None
    label: tuple[str, ...]
    points: Array
    """(n, 3) [m]"""


def read_plan(path: Path) -> CalibrationPlan:
    """Read a plan; raises InputError with the line for what is wrong in it."""
    if not path.is_file():
        raise InputError(path, "there is no such file", "give the plan, a TOML file")
    if path.stat().st_size > LARGEST_DESCRIPTION:
        raise InputError(path, "is too large for a plan", "give the plan, a TOML file")
    root = parse_toml(path.read_bytes(), path.name)
    root.expect("schema", "kind", "sd", "camera", "cameras", *KINDS)
    if root.get("schema", SCHEMA) != SCHEMA or isinstance(root.get("schema", SCHEMA), bool):
        raise root.fault("schema", "is not known", f"write schema = {SCHEMA}")
    kind = root.text("kind", choices=KINDS)
    for other in KINDS:
        if other != kind and root.has(other):
            raise root.fault(other, f"stands in a plan of kind {kind!r}", "leave it out")
    wrong, right = ("camera", "cameras") if kind == "wand" else ("cameras", "camera")
    if root.has(wrong) and kind != "moved":
        raise root.fault(wrong, f"does not go with kind {kind!r}", f"write {right}")
    sd = root.number("sd", "pixel", None, FINEST, 100.0)
    return CalibrationPlan(path.name, Folder(path.absolute().parent), root, kind, sd)


def read_sensor(plan: CalibrationPlan, fields: Fields, *more: str) -> PlannedCamera:
    """A camera's name, size and, where it is stated, lens; `more` are further keys it may have.

    Raises InputError for a name that makes no file name, and a lens of another size or without
    intrinsics.
    """
    fields.expect("name", "size", "lens", "window", "mirrored", *more)
    name = fields.text("name", longest=60)
    if not all(c.isalnum() or c in "-_." for c in name) or name.startswith("."):
        raise fields.fault("name", f"{name!r} makes no file name", "use letters, digits, dashes")
    lens, size = None, None
    if fields.has("lens"):
        key = fields.name("lens")
        lens = read_calibration(
            plan.folder, fields.text("lens"), fields.where, fields.line("lens"), key
        )
        size = lens.size
        if lens.intrinsics is None:
            raise fields.fault("lens", "names a calibration without intrinsics", "name a board's")
    if fields.has("size") or size is None:
        stated = read_size(fields)
        if size is not None and stated != size:
            raise fields.fault("size", f"is not that of the lens, {size[0]} x {size[1]}", "mend it")
        size = stated
    view = FilmView.of(size, read_window(fields, size), fields.flag("mirrored"))
    inward = None if lens is None else view.lens_inward(lens)
    return PlannedCamera(name, view, inward, fields, lens)


def one_sensor(plan: CalibrationPlan) -> PlannedCamera:
    """The camera of a plan with one."""
    return read_sensor(plan, plan.root.sub("camera", required=True))


def named_file(plan: CalibrationPlan, fields: Fields, key: str) -> tuple[Path, str]:
    """Path and name of an input file."""
    name = fields.text(key, longest=1000)
    return plan.folder.file(name, fields.where, fields.line(key), fields.name(key)), name


def read_seen(
    plan: CalibrationPlan, fields: Fields, key: str, sensor: PlannedCamera, *, blank: bool = False
) -> SeenPoints:
    """`frame, point, u [px], v [px]`; one row a point and frame; `blank`: labels may be empty.

    The file has the film's pixels, what is given the view's own.
    """
    path, name = named_file(plan, fields, key)
    width, height = sensor.view.film
    table = read_table(
        path,
        name,
        (
            Column("frame", kind="whole", required=False),
            Column("point", kind="text"),
            Column("u", "pixel", low=-0.5, high=width - 0.5),
            Column("v", "pixel", low=-0.5, high=height - 0.5),
        ),
    )
    frame, label = _keys(table, blank)
    refuse_outside(table, sensor.view.window)
    uv = np.stack([table.numbers["u"], table.numbers["v"]], axis=1)
    return SeenPoints(frame, label, sensor.view.inward(uv), table)


def read_known(plan: CalibrationPlan, fields: Fields, key: str, framed: bool) -> KnownPlaces:
    """`point, x [m], y [m], z [m]`, with `frame` where points move."""
    path, name = named_file(plan, fields, key)
    columns = [Column("point", kind="text")]
    columns += [Column(c, "length", low=-1e4, high=1e4) for c in "xyz"]
    if framed:
        columns.append(Column("frame", kind="whole"))
    table = read_table(path, name, columns)
    frame, label = _keys(table)
    points = np.stack([table.numbers[c] for c in "xyz"], axis=1)
    return KnownPlaces(frame if framed else None, label, points)


def _keys(table: Table, blank: bool = False) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Frame (0 without a column) and label of each row, no two alike but for empty ones."""
    names, code = table.texts["point"], table.codes["point"]
    named = np.array([name != "" for name in names])[code]
    if not blank and not named.all():
        row = int(np.argmin(named))
        raise table.fault(row, "point", "has no label", "name each point")
    frame = table.numbers.get("frame", np.zeros(table.rows))
    key = frame * len(names) + code
    order = np.flatnonzero(named)[np.argsort(key[named], kind="stable")]
    doubled = order[1:][np.diff(key[order]) == 0]
    if doubled.size:
        raise table.fault(int(doubled.min()), "point", "stands twice", "keep one of the rows")
    return frame.astype(np.int64), tuple(names[c] for c in code)


def match(seen: SeenPoints, known: KnownPlaces) -> tuple[Array, Array, tuple[str, ...]]:
    """Points (n, 3) [m], their images (n, 2) [px] and labels, of what is both seen and known.

    Raises InputError where none is both.
    """
    moving = known.frame is not None
    frames = known.frame if known.frame is not None else np.zeros(len(known.label), dtype=int)
    place = {(int(f), name): i for i, (f, name) in enumerate(zip(frames, known.label, strict=True))}
    pairs = [
        (i, place[key])
        for i, (f, name) in enumerate(zip(seen.frame, seen.label, strict=True))
        if (key := (int(f) if moving else 0, name)) in place
    ]
    if not pairs:
        what = "frame and point" if moving else "point"
        raise InputError(
            seen.table.where, f"no {what} stands among those known", "use the same labels"
        )
    here, there = (list(side) for side in zip(*pairs, strict=True))
    labels = tuple(
        f"{seen.label[i]} in frame {seen.frame[i]}" if moving else seen.label[i] for i in here
    )
    return known.points[there], seen.uv[here], labels


def read_terms(
    fields: Fields, default: tuple[str, ...], terms: tuple[str, ...] = TERMS
) -> tuple[str, ...]:
    """Which terms of distortion are fitted, of those that the lens's model has.

    Raises InputError for what is no list of terms, and p1 or p2 alone.
    """
    value: Any = fields.get("distortion", list(default))
    if not isinstance(value, list) or any(v not in terms for v in value):
        raise fields.fault("distortion", "is no list of terms", "choose from " + ", ".join(terms))
    if ("p1" in value) != ("p2" in value):
        raise fields.fault("distortion", "has one of p1 and p2", "name both or none")
    return tuple(value)


def read_axes(fields: Fields) -> tuple[Array, Array]:
    """Origin (3,) [m] and axes (3, 3, columns) of a plane in the lab: x_axis, y_axis, x times y.

    Raises InputError for axes that are not square.
    """
    origin = fields.array("origin", (3,)) if fields.has("origin") else np.zeros(3)
    x = direction(fields, "x_axis")
    y = direction(fields, "y_axis")
    if abs(x @ y) > 0.01:
        raise fields.fault("y_axis", "is not square to x_axis", "give axes at right angles")
    y = y - x * (x @ y)
    y /= np.linalg.norm(y)
    return origin, np.column_stack([x, y, np.cross(x, y)])


def direction(fields: Fields, key: str) -> Array:
    """A unit vector (3,).

    Raises InputError for one without length.
    """
    value = fields.array(key, (3,))
    length = float(np.linalg.norm(value))
    if length < 1e-9:
        raise fields.fault(key, "has no length", "give a direction")
    return np.asarray(value / length)


def read_images(
    plan: CalibrationPlan, fields: Fields, key: str, sensor: PlannedCamera
) -> tuple[list[str], Frames]:
    """Names and images of a camera, as a trial's are read: grey, of one size and depth.

    Of each image its own view, turned over where it is one in a mirror.
    """
    pattern = fields.text(key, longest=1000)
    place = fields.where, fields.line(key), fields.name(key)
    frames = open_frames(plan.folder, pattern, *place, sensor.view.film)
    names = plan.folder.files(pattern, *place)
    if len(names) != len(frames):  # the pages of one file
        names = [f"{names[0]}, image {k}" for k in range(len(frames))]
    view = sensor.view
    if view != FilmView.of(view.film, None, False):
        frames = PartOfFilm(frames, view.window, view.mirrored)
    return names, frames
