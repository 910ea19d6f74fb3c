"""Pulses on an analog channel of a C3D file: a camera's trigger, its frames, or a strobe lamp.

The channel is on the clock of the markers, so an edge is an event that both clocks saw. It lies
between two samples, evenly likely: 1 / sqrt(12) of their distance is its standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.files.c3d_analog import AnalogChannel, read_analog
from lashwave.files.csv_tables import Column, read_table
from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.quantities import Array, Event, counted

KINDS = ("trigger", "frames", "flashes")
CLEAR = 6.0
"""Times the channel's own noise that its pulses must rise."""
OFF_RATE = 0.05
"""Share by which the rate of pulses may differ from the stated one."""


@dataclass(frozen=True)
class Pulses:
    """What the pulses of one camera say."""

    events: tuple[Event, ...] = ()
    rate: float | None = None
    """Of the camera on the lab clock [Hz], where each frame has its pulse."""
    flashes: Array | None = None
    """(M,) middles of a strobe's flashes on the lab clock [s]."""


def read_pulses(folder: Folder, root: Fields, fields: Fields, name: str, rate: float) -> Pulses:
    """All that a camera's `pulses` tables say of its clock.

    Parameters
    ----------
    root : of the trial, whose markers' file is the one that is meant where none is named.
    name : the camera's; rate : as it is stated [Hz].

    Raises
    ------
    InputError
        For a channel that is not there, holds no pulses or too many, or runs at another rate.
    """
    found = Pulses(flashes=read_strobe(folder, fields))
    for table in fields.subs("pulses"):
        table.expect("what", "channel", "file", "edge", "level", "frame", "delay", "delay_sd")
        what = table.text("what", choices=KINDS)
        channel = _channel(folder, root, table)
        moments = _moments(channel, table) + table.number("delay", "time", 0.0, -10.0, 10.0)
        least = 1 if what == "trigger" else 2
        if moments.size < least:
            problem = f"{table.text('channel')!r} holds {counted(moments.size, 'pulse')}"
            raise table.fault("channel", problem, f"expected {least} at least; state its level")
        if what == "flashes" and found.flashes is not None:
            raise table.fault("what", "states the flashes again", "keep one list of them")
        if what == "flashes":
            folder.notes.append(f"camera {name}: strobe flashes on the channel: {moments.size}.")
            found = replace(found, flashes=moments)
            continue
        grain = 1.0 / channel.rate
        delay_sd = table.number("delay_sd", "time", 0.0, 0.0, 1.0)
        frame = table.number("frame", "ratio", 0.0, low=0.0, high=1e7)
        if what == "trigger":
            more = "" if moments.size == 1 else f", the first of {moments.size} pulses"
            folder.notes.append(f"camera {name}: the trigger came at {moments[0]:.6f} s{more}.")
            sd = float(np.hypot(grain / np.sqrt(12.0), delay_sd))
            event = Event(float(moments[0]), sd, frame / rate, 0.0)
        else:
            first, own, sd = _rhythm(table, moments, rate, grain)
            folder.notes.append(
                f"camera {name}: {moments.size} frames by pulses, {own:.8g} Hz on the lab clock "
                f"({rate:.8g} Hz stated)."
            )
            found = replace(found, rate=own)
            event = Event(first, float(np.hypot(sd, delay_sd)), frame / own, 0.0)
        found = replace(found, events=(*found.events, event))
    return found


def read_strobe(folder: Folder, fields: Fields) -> Array | None:
    """(M,) lab times of flashes [s], from the table that a camera's `strobe` names.

    Raises InputError for fewer than two, and times that do not rise.
    """
    if not fields.has("strobe"):
        return None
    name = fields.text("strobe")
    path = folder.file(name, fields.where, fields.line("strobe"), fields.name("strobe"))
    table = read_table(path, name, (Column("time", "time", low=-1e6, high=1e6),))
    times = table.numbers["time"]
    if times.size < 2:
        raise fields.fault("strobe", f"{name!r} has {counted(times.size, 'flash')}", "list all")
    falls = np.flatnonzero(np.diff(times) <= 0.0)
    if falls.size:
        raise table.fault(int(falls[0]) + 1, "time", "does not rise", "list flashes by time")
    return times


def _channel(folder: Folder, root: Fields, table: Fields) -> AnalogChannel:
    """The channel that a table names, on the markers' clock."""
    markers = root.sub("markers", required=True)
    assert markers is not None
    source, key = (table, "file") if table.has("file") else (markers, "file")
    name = source.text(key)
    path = folder.file(name, source.where, source.line(key), source.name(key))
    if path.suffix.lower() != ".c3d":
        raise table.fault("file", f"{name!r} is no C3D file", "name the one with the channel")
    rate = markers.number("rate", "frequency", None, low=10.0, high=1e5)
    return read_analog(path, name, table.text("channel"), rate)


def _moments(channel: AnalogChannel, table: Fields) -> Array:
    """(N,) [s] on the lab clock: edges of the pulses, or their middles."""
    edge = table.text("edge", "rising", ("rising", "falling", "middle"))
    values = channel.values
    low, high = float(values.min()), float(values.max())
    level = table.number("level", "voltage", 0.5 * (low + high), -1e4, 1e4)
    noise = float(np.median(np.abs(np.diff(values)))) / 0.954  # of a normal's differences
    if high - low <= CLEAR * noise or not low < level < high:
        problem = f"{table.text('channel')!r} lies between {low:.4g} and {high:.4g} and has no edge"
        raise table.fault("channel", problem, "name the channel of the pulses, and their level")
    # Noise about the level makes no edge: a pulse must leave the middle half of the channel's
    # range on the other side before the next one counts.
    margin = 0.25 * min(high - level, level - low)
    state = np.where(values > level + margin, 1, np.where(values < level - margin, -1, 0))
    sure = np.flatnonzero(state)
    turns = np.flatnonzero(np.diff(state[sure]))
    before, after = sure[turns], sure[turns + 1]
    at = channel.start + 0.5 * (before + after) / channel.rate
    up, down = at[state[after] > 0], at[state[after] < 0]
    if edge != "middle":
        return np.asarray(up if edge == "rising" else down)
    down = down[down > up[0]] if up.size else down[:0]
    whole = min(up.size, down.size)
    return np.asarray(0.5 * (up[:whole] + down[:whole]))


def _rhythm(table: Fields, moments: Array, rate: float, grain: float) -> tuple[float, float, float]:
    """Time of the first pulse [s], rate of all [Hz], and the sd of the first's time [s].

    An edge lies within half a sample of where it is read, so all together bound offset and period;
    their middles are taken. Where the two rates keep step the bound stays a sample wide.
    """
    place = np.concatenate([[0.0], np.cumsum(np.rint(np.diff(moments) * rate))])
    usual = float(np.median(np.diff(moments)))
    if (np.diff(place) < 1).any() or abs(usual * rate - 1.0) > OFF_RATE + grain * rate:
        problem = f"has pulses at {1.0 / usual:.6g} Hz, the camera runs at {rate:.6g}"
        raise table.fault("channel", problem, "name the channel with one pulse a frame")
    line = float(np.polyfit(place, moments, 1)[0])
    periods = line + grain / place[-1] * np.linspace(-1.0, 1.0, 401)
    ends = np.array([_ends(moments - period * place) for period in periods])
    # Pulses that are uneven themselves leave no line within a sample of all.
    wide = max(grain, 1.02 * float((ends[:, 1] - ends[:, 0]).min()))
    fits = ends[:, 1] - ends[:, 0] <= wide
    low, high = (ends[fits, 1] - 0.5 * wide).min(), (ends[fits, 0] + 0.5 * wide).max()
    sd = float(np.hypot(high - low, wide - grain) / np.sqrt(12.0))
    return float(0.5 * (low + high)), float(1.0 / np.mean(periods[fits])), max(sd, 0.01 * grain)


def _ends(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())
