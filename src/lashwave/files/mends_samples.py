"""Mends of marker samples and of the line's table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lashwave.files.fields import Fields
from lashwave.files.marker_section import read_stations
from lashwave.quantities import Line, Markers

_COLUMNS = {
    "diameter": ("length", 1e-5, 0.2),
    "linear_density": ("linear density", 1e-7, 10.0),
    "bending_stiffness": ("bending stiffness", 0.0, 1e3),
    "axial_stiffness": ("force", 1e-3, 1e9),
}


def reject(mend: Fields, root: Fields, markers: Markers) -> tuple[Markers, str]:
    """Samples of a marker within a span of lab time set aside, as if it had not been seen."""
    label = _label(mend, "marker", markers)
    span = _span(mend, markers)
    column = markers.labels.index(label)
    position = markers.position.copy()
    lost = int(np.isfinite(position[span, column, 0]).sum())
    position[span, column] = np.nan
    return replace(markers, position=position), f"{lost} samples of marker {label} set aside"


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
    said = f"{moved[0]} samples of marker {label} given to {other}"
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
        near = f"the nearest is {line.station[row]:g} m"
        raise mend.fault("station", f"the table has no row at {station:g} m", near)
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
    stations = {} if table is None else read_stations(table, np.inf)
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
        raise mend.fault("to", f"{end:g} s is before {begin:g} s", "give the later time")
    # Half a sample of slack, so that a time typed from a plot takes the sample it names.
    slack = 0.5 / markers.rate
    return np.asarray((markers.time >= begin - slack) & (markers.time <= end + slack))
