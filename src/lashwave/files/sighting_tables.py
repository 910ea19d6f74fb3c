"""The CSV files of sightings, each written whole or not at all, as the readers take them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.swap import replace_file
from lashwave.quantities import Array, Camera, Fronts, Markers, Onset, TuftWidths, csv_lines

METRE_DIGITS, SECOND_DIGITS, PIXEL_DIGITS = 8, 9, 5
"""Decimals written: 10 nm, 1 ns and 1e-5 px, far below what any instrument tells apart."""
TICK_DIGITS = 12
"""Of a camera's own clock, whose steps must not seem uneven by rounding."""


def write_points(
    path: Path,
    frame: NDArray[np.int64],
    features: Sequence[str],
    uv: NDArray[np.float64],
    sd: NDArray[np.float64] | None,
) -> None:
    """Tracked points (P,): frame, feature, (P, 2) [px] and, where they differ, their sd [px]."""
    heading = ["frame", "feature", "u [px]", "v [px]"] + ([] if sd is None else ["sd [px]"])

    def rows() -> Iterable[list[Any]]:
        for i, number_of in enumerate(frame):
            row: list[Any] = [int(number_of), features[i], *_pixels(uv[i])]
            yield row if sd is None else [*row, number_text(sd[i])]

    write_rows(path, heading, rows())


def write_flashes(path: Path, frames: NDArray[np.int64]) -> None:
    """Frames (F,), counted from 0, no unit, in which the strobe is seen."""
    write_rows(path, ["frame"], ([int(frame)] for frame in frames))


def write_strobe(path: Path, times: Array) -> None:
    """Lab times (M,) of a strobe's flashes [s]."""
    write_rows(path, ["time [s]"], ([round(float(t), SECOND_DIGITS)] for t in times))


def write_stamps(path: Path, camera: Camera) -> None:
    """The time [s] of each of a camera's frames on its own clock, from frame 0."""
    assert camera.stamps is not None
    frame = np.arange(int(camera.stamps[-1, 0]) + 1)
    time = camera.counted(frame) / camera.rate
    rows = ([int(f), round(float(t), TICK_DIGITS)] for f, t in zip(frame, time, strict=True))
    write_rows(path, ["frame", "time [s]"], rows)


def write_fronts(path: Path, fronts: Fronts) -> None:
    """Points along numbered fronts."""
    columns = zip(fronts.frame, fronts.number, fronts.uv, fronts.sd, strict=True)
    rows = ([int(f), int(n), *_pixels(uv), number_text(sd)] for f, n, uv, sd in columns)
    write_rows(path, ["frame", "front", "u [px]", "v [px]", "sd [px]"], rows)


def write_tuft_widths(path: Path, tuft: TuftWidths) -> None:
    """Widths of the tuft."""
    columns = zip(tuft.frame, tuft.width, tuft.sd, strict=True)
    rows = ([int(f), number_text(width), number_text(sd)] for f, width, sd in columns)
    write_rows(path, ["frame", "width [m]", "width_sd [m]"], rows)


def write_onsets(path: Path, onsets: Iterable[Onset]) -> None:
    """Arrivals of sound, with their peaks where all have one."""
    onsets = list(onsets)
    heading = ["microphone", "time [s]", "time_sd [s]"]
    rows: list[list[Any]] = [[o.microphone, number_text(o.time), number_text(o.sd)] for o in onsets]
    if all(o.peak is not None and o.rate is not None for o in onsets):
        heading += ["peak", "peak_sd", "clipped", "rate [Hz]"]
        for row, o in zip(rows, onsets, strict=True):
            assert o.peak is not None and o.rate is not None
            row += [
                number_text(o.peak),
                number_text(o.peak_sd),
                int(o.clipped),
                number_text(o.rate),
            ]
    write_rows(path, heading, rows)


def write_markers(path: Path, markers: Markers) -> None:
    """Marker samples, labelled ones by time, then the points without a label."""
    uneven = bool((markers.sd != markers.sd.flat[0]).any())
    heading = ["time [s]", "marker", "x [m]", "y [m]", "z [m]"] + (["sd [m]"] if uneven else [])

    def rows() -> Iterable[list[Any]]:
        for k, moment in enumerate(markers.time):
            for i in np.flatnonzero(np.isfinite(markers.position[k]).all(axis=1)):
                row = [round(float(moment), SECOND_DIGITS), markers.labels[i]]
                row += [round(float(v), METRE_DIGITS) for v in markers.position[k, i]]
                yield [*row, number_text(markers.sd[k, i])] if uneven else row
        sd = [number_text(float(np.median(markers.sd)))] if uneven else []
        for moment, place in zip(markers.unlabelled_time, markers.unlabelled_position, strict=True):
            xyz = [round(float(v), METRE_DIGITS) for v in place]
            yield [round(float(moment), SECOND_DIGITS), "", *xyz, *sd]

    write_rows(path, heading, rows())


def write_rows(path: Path, heading: list[str], rows: Iterable[list[Any]]) -> None:
    """A CSV file of its heading and rows.

    Raises
    ------
    ValueError
        Where there are no rows: a table of none is refused by its reader, so none is written.
    """

    def fill(aside: Path) -> None:
        count = -1
        with aside.open("w", encoding="utf-8", newline="") as stream:
            stream.writelines(csv_lines([heading]))
            for count, line in enumerate(csv_lines(rows)):  # noqa: B007 - counted while written
                stream.write(line)
        if count < 0:
            raise ValueError(f"{path.name} would hold no rows")

    replace_file(path, fill)


def number_text(value: float) -> str:
    """A number that reads back the same."""
    return repr(float(value))


def _pixels(uv: NDArray[np.float64]) -> list[float]:
    return [round(float(v), PIXEL_DIGITS) for v in uv]
