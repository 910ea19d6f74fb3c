"""Marker samples from CSV, one row a marker and sample, onto one uniform clock."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.marker_samples import FARTHEST, FEWEST, MarkerSamples
from lashwave.quantities import Array, InputError, counted

SPARSE = 20
"""A record this many times longer than its samples is a slip in the times."""

COLUMNS = (
    Column("time", "time", low=-1e6, high=1e6),
    Column("marker", kind="text"),
    Column("x", "length", low=-FARTHEST, high=FARTHEST),
    Column("y", "length", low=-FARTHEST, high=FARTHEST),
    Column("z", "length", low=-FARTHEST, high=FARTHEST),
    Column("sd", "length", False, low=1e-7, high=1.0),
)
OFF_RATE = 0.1
"""How far a time may lie off the uniform rate [samples]; the trial format's figure."""


def read_csv(
    path: Path, where: str, labels: tuple[str, ...] | None = None, rate: float | None = None
) -> MarkerSamples:
    """Samples of `labels` (None: of every label) from a CSV of one row a marker and sample.

    Parameters
    ----------
    where : the file's name in messages.
    labels : labels that the file lacks are nan throughout.
    rate : replaces the rate that the times say [Hz].

    Raises
    ------
    InputError
        With the line: for what is no such table, times of no one rate, and two rows of one
        marker at one time.
    """
    table = read_table(path, where, COLUMNS)
    names = table.texts["marker"]
    labels = tuple(n for n in names if n) if labels is None else labels
    notes = [f"column {c!r} is not used." for c in table.unknown]
    grid = _grid(table)
    if grid.count * len(labels) > 200 * table.rows + 10_000_000:
        raise InputError(
            where, "is nearly all gap", "list only labels that are seen", field="marker"
        )
    time, hertz = grid.time, grid.rate
    if rate is not None and abs(rate / grid.rate - 1) * grid.count > OFF_RATE:
        # As for C3D: the samples keep their numbers, and only the rate between them is corrected.
        notes.append(f"times say {grid.rate:g} Hz; {rate:g} Hz was taken as stated.")
        time, hertz = time * (grid.rate / rate), rate
    code = table.codes["marker"]
    _refuse_doubles(table, grid, code, names)
    # A long table fills much of the memory: each column is let go once it is in its place.
    del table.numbers["time"]
    sample = grid.sample
    bare = np.flatnonzero(code == names.index("")) if "" in names else np.empty(0, dtype=np.intp)
    loose = np.stack([table.numbers[name][bare] for name in "xyz"], axis=1)
    loose_time = time[sample[bare]]
    column = np.array([labels.index(n) if n in labels else -1 for n in names], dtype=np.int32)
    place = column[code]
    on_line = place >= 0
    wanted = slice(None) if on_line.all() else on_line
    sample, place = sample[wanted], place[wanted]
    position = np.full((grid.count, len(labels), 3), np.nan)
    for axis, name in enumerate("xyz"):
        position[sample, place, axis] = table.numbers.pop(name)[wanted]
    sd = None
    if "sd" in table.numbers:
        sd = np.full((grid.count, len(labels)), float(np.median(table.numbers["sd"])))
        sd[sample, place] = table.numbers.pop("sd")[wanted]
    present = tuple(n for n in names if n)
    return MarkerSamples(
        time, hertz, labels, position, present, loose_time, loose, sd, tuple(notes)
    )


def _grid(table: Table) -> UniformClock:
    times = table.numbers["time"]
    grid = fit(times)
    distinct = 1 if grid is None else np.unique(grid.sample).size
    if grid is None or distinct < FEWEST:
        held = f"holds {counted(distinct, 'sample')}"
        raise InputError(table.where, held, f"expected at least {FEWEST}", field="time")
    if not 1.0 <= grid.rate <= 1e5:
        raise table.fault(
            0,
            "time",
            f"a rate of {grid.rate:g} Hz is not plausible",
            "expected 1 Hz to 100 kHz; check the unit in the heading",
        )
    worst = int(np.argmax(np.abs(grid.off)))
    if grid.count > SPARSE * distinct:
        last = int(np.argmax(times))
        raise table.fault(
            last,
            "time",
            f"{table.shown(last, 'time')} leaves a record that is nearly all gap",
            "correct the time, or export the throw alone",
        )
    if abs(grid.off[worst]) > OFF_RATE:
        raise table.fault(
            worst,
            "time",
            f"{table.shown(worst, 'time')} is {abs(grid.off[worst]):.2f} samples off "
            f"{grid.rate:.6g} Hz",
            f"expected times of one rate, to {OFF_RATE:g} of a sample",
        )
    return replace(grid, off=np.empty(0))


def _refuse_doubles(
    table: Table, grid: UniformClock, code: NDArray[np.int32], names: list[str]
) -> None:
    """Two rows of one marker at one sample; points without a label may be many."""
    key = grid.sample * len(names) + code
    places = grid.count * len(names)
    if places <= 8 * key.size + 1_000_000:
        taken = np.zeros(places, dtype=np.bool_)
        taken[key] = True
        if int(taken.sum()) == key.size:
            return
    rows = np.arange(key.size)
    if "" in names:
        rows = rows[code != names.index("")]
    order = rows[np.argsort(key[rows], kind="stable")]
    doubled = order[1:][np.diff(key[order]) == 0]
    if doubled.size:
        row = int(doubled.min())
        label, moment = names[code[row]], table.shown(row, "time")
        raise table.fault(
            row, "marker", f"a second row of {label!r} at {moment}", "keep one of them"
        )


@dataclass(frozen=True)
class UniformClock:
    """A uniform clock through a column of times."""

    first: float
    """[s]"""
    rate: float
    """[Hz]"""
    count: int
    """Samples from first to last."""
    sample: NDArray[np.int64]
    """(R,) sample of each row."""
    off: Array
    """(R,) distance of each row from its sample, in samples."""

    @property
    def time(self) -> Array:
        """(count,) [s]"""
        return self.first + np.arange(self.count) / self.rate


def fit(times: Array) -> UniformClock | None:
    """The uniform clock that a column of times (R,) [s], in any order and with gaps, lies on.

    The step is the usual one of the shorter distances of neighbouring times, refined by a
    least-squares line through time against sample; a rate that the times cannot tell from a whole
    number is that number. None where the times are all one.
    """
    unique = np.unique(times)
    steps = np.diff(unique)
    # One sample's rows may differ in the last digit: such steps are not samples.
    steps = steps[steps > 0.05 * np.quantile(steps, 0.9)] if steps.size else steps
    if steps.size == 0:
        return None
    # Where most samples are lost the usual step is two or more: the short ones are judged.
    step = float(np.median(steps[steps < 1.5 * np.quantile(steps, 0.2)]))
    origin = float(unique[0])
    for _ in range(3):
        # Number by neighbouring distances, so that a step known to 1 % does not slip over a gap
        # of fifty samples, and not at all where there is none.
        number = np.concatenate([[0], np.cumsum(np.rint(np.diff(unique) / step))])
        middle, mean = number.mean(), unique.mean()
        spread = ((number - middle) ** 2).sum()
        if spread == 0:
            return None
        step = float(((number - middle) * (unique - mean)).sum() / spread)
        origin = float(mean - step * middle)
    rate = 1.0 / step
    whole = round(rate)
    scatter = float((unique - origin - step * number).std())
    tolerance = 6 * scatter / float(np.sqrt(spread)) + 1e-12 * step
    if whole > 0 and abs(step - 1.0 / whole) < tolerance:
        rate, step = float(whole), 1.0 / whole
        origin = float((unique - number * step).mean())
    place = (times - origin) / step
    sample = np.rint(place).astype(np.int64)
    lowest = int(sample.min())
    return UniformClock(
        first=_plain(origin + lowest * step, step),
        rate=rate,
        count=int(sample.max()) - lowest + 1,
        sample=sample - lowest,
        off=place - sample,
    )


def _plain(value: float, step: float) -> float:
    """A first time without the rounding of a mean, where it is within 1e-6 of a sample of it."""
    rounded = round(value, 9)
    return rounded if abs(rounded - value) < 1e-6 * step else value
