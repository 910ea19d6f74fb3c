"""A camera's own time stamps: when each image was exposed, and which frames it dropped."""

from __future__ import annotations

import numpy as np

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.fields import Fields
from lashwave.files.located import check_frames, refuse_doubles
from lashwave.files.source import Folder
from lashwave.quantities import Array, Whole, counted

OFF_RATE = 0.05
"""Share by which stamps and the stated rate may differ; beyond it one of them is another film's."""
NAMED = 4
"""Gaps that a note names."""
_STEPS = tuple(10.0**k for k in range(0, -10, -1))


def read_stamps(folder: Folder, fields: Fields, name: str, rate: float) -> Array | None:
    """The stamps of the file that a camera's `times` names, as `Camera.stamps` holds them.

    A film that is yet to be searched has a row for each image, in order; a frame that was dropped
    has no image and no row. Tracked points name their frames, so rows go by their number.

    Parameters
    ----------
    name : the camera's; rate : as it is stated [Hz].

    Returns
    -------
    (N, 2) frame and time [s]; None where the camera names no such file. Stamps that are even but
    for rounding are taken as even.

    Raises
    ------
    InputError
        For times that do not rise, that run at another rate, and as `read_table`.
    """
    if not fields.has("times"):
        return None
    file = fields.text("times")
    path = folder.file(file, fields.where, fields.line("times"), fields.name("times"))
    columns = (
        Column("frame", kind="whole", required=False),
        Column("time", "time", low=-1e10, high=1e10),
    )
    table = read_table(path, file, columns)
    if table.rows < 2:
        raise fields.fault("times", f"{file!r} has one row", "write a row an image")
    stated = table.numbers.get("frame", np.arange(table.rows, dtype=float))
    if "frame" in table.numbers:
        check_frames(table, rate)
        refuse_doubles(table, stated)
    time = table.numbers["time"]
    _refuse_falling(table, stated, time)
    by_image = fields.has("frames") and not fields.has("points")
    frame = np.arange(table.rows, dtype=float) if by_image else stated
    place, period = _counts(time, rate)
    usual = float(np.median(np.diff(time) / np.diff(frame)))
    if abs(period * rate - 1.0) > OFF_RATE or not 0.6 < usual * rate < 1.6:
        problem = f"runs at {1.0 / usual:.6g} Hz, the camera at {rate:.6g}"
        raise fields.fault("times", f"{file!r} {problem}", "state the film's own rate")
    _say(folder, f"camera {name}", frame, place, period, rate)
    start = frame[0] * period
    if _even(time, place, period):
        return _thinned(frame, place * period + start)
    wander = float(np.std(time - time[0] - place * period))
    folder.notes.append(
        f"camera {name}: its time stamps wander by {1e6 * wander:.3g} us about an even rate, and "
        "are taken as they stand; where that is a computer's delay, leave them out."
    )
    return np.column_stack([frame, time - time[0] + start])


def _refuse_falling(table: Table, frame: Array, time: Array) -> None:
    for values, column in ((frame, "frame"), (time, "time")):
        falls = np.flatnonzero(np.diff(values) <= 0.0)
        if falls.size:
            right = "write the rows in the order of the images, with all digits of their times"
            raise table.fault(int(falls[0]) + 1, column, "does not rise", right)


def _counts(time: Array, rate: float) -> tuple[Whole, float]:
    """Places (N,) of stamps on an even clock, from 0, and that clock's period [s]."""
    place = np.concatenate([[0], np.cumsum(np.maximum(np.rint(np.diff(time) * rate), 1))])
    slope = np.polyfit(place, time - time[0], 1)[0] if place.size > 2 else time[1] - time[0]
    return place.astype(np.int64), float(slope)


def _even(time: Array, place: Whole, period: float) -> bool:
    """Whether stamps (N,) [s] are even but for the digits that they are written with."""
    since = time - time[0]
    step = next((s for s in _STEPS if np.abs(since / s - np.rint(since / s)).max() < 1e-3), 0.0)
    away = float(np.ptp(since - period * place))
    return away <= 1.2 * step + 1e-3 * period + 4.0 * float(np.spacing(np.abs(time).max()))


def _thinned(frame: Array, time: Array) -> Array:
    """Both sides of each gap, and the ends: between them the clock is even."""
    step = np.diff(time) / np.diff(frame)
    bend = np.flatnonzero(np.abs(np.diff(step)) > 1e-6 * step[:-1]) + 1
    kept = np.unique(np.concatenate([[0], bend, [len(frame) - 1]]))
    return np.column_stack([frame[kept], time[kept]])


def _say(
    folder: Folder, whose: str, frame: Array, place: Whole, period: float, rate: float
) -> None:
    """Name the frames that were dropped, and a rate that is not the stated one."""
    missing = np.diff(place) - np.diff(frame).astype(np.int64)
    short = np.flatnonzero(np.diff(place) > 1)
    lost = np.diff(place)[short] - 1
    if short.size:
        named = ", ".join(
            f"{n} after frame {frame[k]:.0f}" for k, n in zip(short[:NAMED], lost, strict=False)
        )
        more = f" and in {short.size - NAMED} more places" if short.size > NAMED else ""
        folder.notes.append(
            f"{whose}: {counted(int(lost.sum()), 'frame')} dropped by its time stamps: "
            f"{named}{more}."
        )
    if (missing < 0).any():
        folder.notes.append(
            f"{whose}: frame numbers skip where its time stamps do not; the stamps are taken."
        )
    # A stamp's last digit moves the rate by that over the whole record.
    if abs(period * rate - 1.0) > 1e-4:
        folder.notes.append(
            f"{whose}: its time stamps run at {1.0 / period:.7g} Hz, {rate:.7g} Hz is stated; "
            "the stamps are taken."
        )
