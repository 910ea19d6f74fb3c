"""The numbers behind a figure, read off what was drawn, as one tidy table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.quantities import Array
from lashwave.report.export import table_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEAD = ("panel", "x_label", "y_label", "series", "kind", "x", "y", "value")
Row = tuple[Any, ...]
PIXELS = 120


def table(figure: Figure) -> str:
    """CSV with a row for each point drawn: which panel, what is on its axes, series, x, y.

    Lines and dots give their points, bands and regions their outlines, maps the value of pixels
    at their middles, at most `PIXELS` each way (the motion's own file has them all); `value` is
    empty but for maps and dots that are coloured by one.
    """
    return table_file(HEAD, _rows(figure)).decode()


def _rows(figure: Figure) -> Iterator[Row]:
    for number, axes in enumerate(figure.axes, start=1):
        panel = axes.get_title(loc="left") or axes.get_title() or str(number)
        labels = (panel, axes.get_xlabel(), axes.get_ylabel())
        for row in _panel(axes):
            yield (*labels, *row)


def _panel(axes: Axes) -> Iterator[Row]:
    yield from _lines(axes)
    for number, collection in enumerate(axes.collections, start=1):
        name = _name(collection, f"region {number}")
        offsets = np.ma.getdata(collection.get_offsets())
        values = collection.get_array()
        paths = collection.get_paths()
        if _is_dots(collection):
            shade = np.full(len(offsets), np.nan) if values is None else np.ma.getdata(values)
            for (x, y), value in zip(offsets, shade, strict=False):
                yield name, "dots", _number(x), _number(y), _number(value)
            continue
        for path in paths:
            for x, y in np.asarray(path.vertices):
                yield name, "outline", _number(x), _number(y), ""
    for number, image in enumerate(axes.images, start=1):
        yield from _image(image, _name(image, f"map {number}"))


def _is_dots(collection: Any) -> bool:
    from matplotlib.collections import PathCollection

    return isinstance(collection, PathCollection)


def _lines(axes: Axes) -> Iterator[Row]:
    for number, line in enumerate(axes.lines, start=1):
        if line.get_transform() != axes.transData:
            continue  # a guide across the panel, not data
        name = _name(line, f"line {number}")
        x, y = (np.asarray(part, dtype=float) for part in (line.get_xdata(), line.get_ydata()))
        for a, b in zip(x, y, strict=True):
            yield name, "line", _number(a), _number(b), ""


def _image(image: Any, name: str) -> Iterator[Row]:
    values: Array = np.ma.filled(np.ma.asarray(image.get_array(), dtype=float), np.nan)
    if values.ndim != 2:
        return
    left, right, bottom, top = image.get_extent()
    if image.origin == "upper":
        bottom, top = top, bottom
    rows, columns = values.shape
    x = left + (np.arange(columns) + 0.5) / columns * (right - left)
    y = bottom + (np.arange(rows) + 0.5) / rows * (top - bottom)
    for i in range(0, rows, -(-rows // PIXELS)):
        for j in range(0, columns, -(-columns // PIXELS)):
            yield name, "map", _number(x[j]), _number(y[i]), _number(values[i, j])


def _name(artist: Any, otherwise: str) -> str:
    label = str(artist.get_label() or "")
    return otherwise if not label or label.startswith("_") else label


def _number(value: Any) -> str:
    """Seven significant digits, more than any picture shows; empty where there is none."""
    number = float(value)
    return f"{number:.7g}" if np.isfinite(number) else ""
