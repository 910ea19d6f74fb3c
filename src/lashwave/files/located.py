"""Tables that `lashwave locate` writes, or a hand: fronts, widths of the tuft, onsets of sound."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.quantities import Fronts, Microphone, Onset, TuftWidths

TUFT = "tuft.csv"
ONSETS = "onsets.csv"
LONGEST_RECORD = 1e5
"""No camera's record is longer [s]."""
WIDEST = 0.5
"""No tuft is wider [m]."""


def check_frames(table: Table, rate: float) -> None:
    """Refuse a frame that no record of a camera at `rate` [Hz] would hold.

    Raises InputError with the row.
    """
    late = table.numbers["frame"] > LONGEST_RECORD * rate
    if late.any():
        row = int(np.argmax(late))
        raise table.fault(
            row, "frame", f"{table.numbers['frame'][row]:g} is not plausible", "count from 0"
        )


def refuse_doubles(table: Table, key: NDArray[np.float64]) -> None:
    """Refuse two rows of one key (R,), no unit.

    Raises InputError with the row where one stands twice.
    """
    order = np.argsort(key, kind="stable")
    doubled = order[1:][np.diff(key[order]) == 0]
    if doubled.size:
        raise table.fault(int(doubled.min()), "frame", "stands twice", "keep one of the rows")


def read_fronts(
    folder: Folder, fields: Fields, size: tuple[int, int], rate: float
) -> Fronts | None:
    """Points along numbered fronts, where a camera names such a file.

    Their standard deviation is the camera's where the file has none.
    """
    if not fields.has("fronts"):
        return None
    name = fields.text("fronts")
    path = folder.file(name, fields.where, fields.line("fronts"), fields.name("fronts"))
    width, height = size
    table = read_table(
        path,
        name,
        (
            Column("frame", kind="whole"),
            Column("front", kind="whole"),
            Column("u", "pixel", low=-width, high=2.0 * width),
            Column("v", "pixel", low=-height, high=2.0 * height),
            Column("sd", "pixel", False, above=0.0, high=1000.0),
        ),
    )
    check_frames(table, rate)
    folder.notes += [f"{name}: column {c!r} is not used." for c in table.unknown]
    numbers = table.numbers
    order = np.lexsort((numbers["front"], numbers["frame"]))
    if "sd" not in numbers:
        sd = fields.number("sd", "pixel", above=0.0, high=100.0)
        numbers["sd"] = np.full(table.rows, sd)
    return Fronts(
        numbers["frame"][order].astype(np.int64),
        numbers["front"][order].astype(np.int64),
        np.stack([numbers["u"], numbers["v"]], axis=1)[order],
        numbers["sd"][order],
    )


def read_tuft_widths(folder: Folder, fields: Fields, rate: float, alone: bool) -> TuftWidths | None:
    """Widths of the tuft over a camera's frames.

    From the file that the camera names; else `tuft.csv` belongs to a camera that is `alone`.
    """
    if fields.has("tuft"):
        name = fields.text("tuft")
    elif alone and (folder.root / TUFT).exists():
        name = TUFT
    else:
        return None
    path = folder.file(name, fields.where, fields.line("tuft"), fields.name("tuft"))
    table = read_table(
        path,
        name,
        (
            Column("frame", kind="whole"),
            Column("width", "length", low=0.0, high=WIDEST),
            Column("width_sd", "length", above=0.0, high=WIDEST),
        ),
    )
    check_frames(table, rate)
    refuse_doubles(table, table.numbers["frame"])
    folder.notes += [f"{name}: column {c!r} is not used." for c in table.unknown]
    order = np.argsort(table.numbers["frame"])
    return TuftWidths(
        table.numbers["frame"][order].astype(np.int64),
        table.numbers["width"][order],
        table.numbers["width_sd"][order],
    )


def read_onsets(folder: Folder, where: str, microphones: tuple[Microphone, ...]) -> list[Onset]:
    """Onsets on the lab clock by time, where the folder holds `onsets.csv`.

    A microphone goes by its name or its file.

    Raises InputError for a table that is not as it should be, and a microphone that the trial has
    not.
    """
    if not (folder.root / ONSETS).exists():
        return []
    path = folder.file(ONSETS, where, None, ONSETS)
    table = read_table(
        path,
        ONSETS,
        (
            Column("microphone", kind="text"),
            Column("time", "time", low=-1e6, high=1e6),
            Column("time_sd", "time", above=0.0, high=10.0),
            Column("peak", required=False, low=-1e6, high=1e6),
            Column("peak_sd", required=False, low=0.0, high=1e6),
            Column("clipped", required=False, kind="whole", high=1.0),
            Column("rate", "frequency", required=False, above=0.0, high=1e8),
        ),
    )
    folder.notes += [f"{ONSETS}: column {c!r} is not used." for c in table.unknown]
    known = {m.file: m.label for m in microphones} | {m.label: m.label for m in microphones}
    codes, names = table.codes["microphone"], table.texts["microphone"]
    for code, name in enumerate(names):
        if name not in known:
            right = "use " + " or ".join(known) if known else "add its [[microphones]] table"
            row = int(np.argmax(codes == code))
            raise table.fault(row, "microphone", f"{name[:40]!r} is no microphone here", right)
    return [
        _onset(table, int(i), known[names[codes[i]]])
        for i in np.argsort(table.numbers["time"], kind="stable")
    ]


def _onset(table: Table, row: int, microphone: str) -> Onset:
    here = {name: float(values[row]) for name, values in table.numbers.items()}
    return Onset(
        microphone,
        here["time"],
        here["time_sd"],
        here.get("peak"),
        here.get("peak_sd", 0.0),
        bool(here.get("clipped", 0.0)),
        here.get("rate"),
    )
