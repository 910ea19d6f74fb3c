"""Tables of an instrument as arrays in SI, whatever their headings and their shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.files import zeros_to_gaps
from lashwave.intake.headings import Heading, dimension
from lashwave.intake.marker_scatter import Scatter, scatter
from lashwave.intake.sheet import Sheet
from lashwave.pipeline import noise_from_differences
from lashwave.quantities import Array, InputError, UnitError, factor

ROOM, LINE = 20.0, 20.0
"""A bare coordinate or station beyond this many units is in mm: no lab and no thrown line is so
large in metres, and no larger than this in millimetres would be of use."""
LINE_COLUMNS = ("station", "diameter", "linear_density", "bending_stiffness", "axial_stiffness")


@dataclass(frozen=True)
class MarkerTable:
    """Marker samples by time or by number."""

    time: Array | None
    """(T,) [s]; None where the file counts samples."""
    number: NDArray[np.int64]
    """(T,) of the sample."""
    labels: tuple[str, ...]
    position: Array
    """(T, L, 3) [m], nan where not seen."""

    @property
    def rate(self) -> float | None:
        """[Hz], by the median step; None where the file says no time."""
        if self.time is None or self.time.size < 2:
            return None
        step = float(np.median(np.diff(self.time)))
        return float(f"{1.0 / step:.7g}") if step > 0 else None


@dataclass(frozen=True)
class PointTable:
    """Tracked points: frame (P,), feature of each, uv (P, 2) [px], sd (P,) [px] or None."""

    frame: NDArray[np.int64]
    features: list[str]
    uv: Array
    sd: Array | None


def kind_of(sheet: Sheet) -> str:
    """markers, line, points, flashes, fronts, tuft or other, by the columns."""
    bare = {h.means for h in sheet.headings if h.label is None}
    axes = {h.means for h in sheet.headings if h.label is not None}
    clock = bool(bare & {"time", "frame"})
    if {"station", "diameter"} <= bare:
        return "line"
    if "front" in bare and {"frame", "u", "v"} <= bare:
        return "fronts"
    if clock and ({"x", "y", "z"} <= axes or {"marker", "x", "y", "z"} <= bare):
        return "markers"
    if "frame" in bare and ({"u", "v"} <= bare or {"u", "v"} <= axes):
        return "points"
    if {"frame", "width"} <= bare:
        return "tuft"
    if bare == {"frame", "time"} and len(sheet.headings) == 2:
        return "times"
    if bare == {"frame"} and len(sheet.headings) == 1:
        return "flashes"
    return "other"


def units_of(sheet: Sheet, kind: str, stated: dict[str, str]) -> dict[str, tuple[str | None, bool]]:
    """The unit of each column, and whether it is a guess by the size of its numbers.

    A bare heading is SI, as in a trial folder, unless coordinates or stations are so large that
    they can only be millimetres.
    """
    place = ("x", "y", "z") if kind == "markers" else ("station",) if kind == "line" else ()
    chosen: dict[str, tuple[str | None, bool]] = {}
    for i, heading in enumerate(sheet.headings):
        unit = stated.get(heading.text, heading.unit)
        guessed = False
        if unit is None and heading.means in place:
            values = sheet.column(i)
            known = np.abs(values[np.isfinite(values)])
            limit = ROOM if kind == "markers" else LINE
            guessed = bool(known.size) and float(np.quantile(known, 0.98)) > limit
            unit = "mm" if guessed else None
        chosen[heading.text] = (unit, guessed)
    if kind == "line" and any(chosen[h.text][1] for h in sheet.headings):
        for h in sheet.headings:
            if h.means == "diameter" and chosen[h.text][0] is None:
                chosen[h.text] = ("mm", True)
    return _alike(sheet, chosen)


def _alike(
    sheet: Sheet, chosen: dict[str, tuple[str | None, bool]]
) -> dict[str, tuple[str | None, bool]]:
    """All bare coordinates in one unit: a marker near the lab's origin says nothing by itself."""
    axes = [h for h in sheet.headings if h.means in ("x", "y", "z")]
    if any(chosen[h.text][1] for h in axes):
        for h in axes:
            if chosen[h.text][0] is None:
                chosen[h.text] = ("mm", True)
    return chosen


def markers(sheet: Sheet, stated: dict[str, str]) -> MarkerTable:
    """A wide or a long table of markers."""
    units = units_of(sheet, "markers", stated)
    time, number = _clock(sheet, units)
    wide = any(h.label is not None and h.means in ("x", "y", "z") for h in sheet.headings)
    if wide:
        return _wide(sheet, units, time, number)
    labels_at = sheet.find("marker")
    assert labels_at is not None
    named = sheet.texts(labels_at)
    labels = tuple(dict.fromkeys(n for n in named if n))
    clock = number.astype(float) if time is None else time
    moments, row = np.unique(clock, return_inverse=True)
    position = np.full((moments.size, len(labels), 3), np.nan)
    where = {label: i for i, label in enumerate(labels)}
    column = np.array([where.get(n, -1) for n in named])
    keep = column >= 0
    for axis, means in enumerate("xyz"):
        at = sheet.find(means)
        assert at is not None
        values = _scaled(sheet, at, units)
        position[row[keep], column[keep], axis] = values[keep]
    counted = np.arange(moments.size) if time is not None else moments.astype(np.int64)
    return MarkerTable(None if time is None else moments, counted, labels, position)


def _wide(
    sheet: Sheet,
    units: dict[str, tuple[str | None, bool]],
    time: Array | None,
    number: NDArray[np.int64],
) -> MarkerTable:
    labels = tuple(
        dict.fromkeys(h.label for h in sheet.headings if h.label and h.means in ("x", "y", "z"))
    )
    position = np.full((len(sheet.rows), len(labels), 3), np.nan)
    for i, h in enumerate(sheet.headings):
        if h.label is not None and h.means in ("x", "y", "z"):
            position[:, labels.index(h.label), "xyz".index(h.means)] = _scaled(sheet, i, units)
    zeros_to_gaps(position)
    position[~np.isfinite(position).all(axis=2)] = np.nan
    return MarkerTable(time, number, labels, position)


def _clock(
    sheet: Sheet, units: dict[str, tuple[str | None, bool]]
) -> tuple[Array | None, NDArray[np.int64]]:
    """Time [s] where the table has it, and the sample's number (from 0 by rows where not)."""
    at_time, at_frame = sheet.find("time"), sheet.find("frame")
    time = None if at_time is None else _scaled(sheet, at_time, units)
    if time is not None and not np.isfinite(time).all():
        raise InputError(sheet.name, "has rows without a time", "export it again", field="time")
    if at_frame is None:
        return time, np.arange(len(sheet.rows))
    return time, _whole(sheet, at_frame)


def line(sheet: Sheet, stated: dict[str, str]) -> dict[str, Array]:
    """Columns (S,) of a line's table by meaning, SI [m, kg/m, N m2, N]; X_sd where it is stated."""
    units = units_of(sheet, "line", stated)
    found = {}
    for i, heading in enumerate(sheet.headings):
        means = heading.means or ""
        if means.removesuffix("_sd") in LINE_COLUMNS and means not in found:
            found[means] = _scaled(sheet, i, units)
    return found


def points(sheet: Sheet, stated: dict[str, str]) -> PointTable:
    """Tracked points: a column of features, or a pair of columns a feature; else the tip.

    Raises InputError for a feature that has not one u and one v, and frames that are no whole
    numbers.
    """
    units = units_of(sheet, "points", stated)
    frame_at = sheet.find("frame")
    assert frame_at is not None
    frame = _whole(sheet, frame_at)
    labels = dict.fromkeys(h.label for h in sheet.headings if h.label and h.means in ("u", "v"))
    if not labels:
        feature = sheet.find("feature") if sheet.find("feature") is not None else None
        feature = sheet.find("marker") if feature is None else feature
        named = ["tip"] * frame.size if feature is None else sheet.texts(feature)
        uv = np.stack([_scaled(sheet, sheet.find(c) or 0, units) for c in "uv"], axis=1)
        sd_at = sheet.find("sd")
        sd = None if sd_at is None else sheet.column(sd_at)
        keep = np.flatnonzero(np.isfinite(uv).all(axis=1))
        kept = [named[k] for k in keep]
        return PointTable(frame[keep], kept, uv[keep], None if sd is None else sd[keep])
    frames, names, places = [], list[str](), []
    for label in labels:
        pair = [
            _scaled(sheet, i, units)
            for c in "uv"
            for i, h in enumerate(sheet.headings)
            if h.label == label and h.means == c
        ]
        if len(pair) != 2:
            raise InputError(sheet.name, f"{label} has not one u and one v", "export both")
        uv = np.stack(pair, axis=1)
        seen = np.flatnonzero(np.isfinite(uv).all(axis=1))
        frames.append(frame[seen])
        places.append(uv[seen])
        names += [label] * seen.size
    return PointTable(np.concatenate(frames), names, np.concatenate(places), None)


def noise(position: Array) -> Scatter | None:
    """Scatter [m] of places (T, L, 3), the median over markers; None where too few."""
    found = scatter(position)
    if found is None or found.joined > 1:
        return found
    known = [noise_from_differences(position[:, i]) for i in range(position.shape[1])]
    return found._replace(sd=float(np.nanmedian(known))) if np.isfinite(known).any() else found


def _whole(sheet: Sheet, at: int) -> NDArray[np.int64]:
    values = sheet.column(at)
    if not np.isfinite(values).all() or (values != np.floor(values)).any() or (values < 0).any():
        raise InputError(
            sheet.name, "holds what is no whole number from 0", "export frame numbers",
            field=sheet.headings[at].text,
        )  # fmt: skip
    return values.astype(np.int64)


def _scaled(sheet: Sheet, at: int, units: dict[str, tuple[str | None, bool]]) -> Array:
    """A column in SI."""
    heading: Heading = sheet.headings[at]
    kind = dimension(heading.means)
    values = sheet.column(at)
    if kind is None:
        return values
    try:
        return values * factor(units[heading.text][0], kind)
    except UnitError as error:
        raise InputError(sheet.name, error.problem, error.remedy, field=heading.text) from None
