"""The `clock` of a camera or microphone, and the events that it shares with the lab clock."""

from __future__ import annotations

import numpy as np

from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.quantities import Clock, Event, Tied, tied

FRAME_SD = 0.3
"""[frames]; an event seen in a frame lies within half of one either way: 1 / sqrt(12)."""


def read_clock(folder: Folder, fields: Fields, whose: str, rate: float | None = None) -> Clock:
    """The `clock` table, tied by `events` where there are some; what is assumed is noted.

    Parameters
    ----------
    rate : of a camera, whose events state a frame [Hz]; None for a microphone, whose events state
        a time in its record.
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
    events = [_event(one, rate) for one in fields.subs("events")]
    if not events:
        if table is None or not table.table:
            sd = stated.offset_sd
            folder.notes.append(f"{whose} states no clock: offset 0 s, sd {sd:g} s taken.")
        return stated
    said = table is not None and (table.has("offset") or table.has("offset_sd"))
    found = tied(events, stated.drift_sd, stated if said else None)
    folder.notes.append(f"{whose}: {_told(found, stated if said else None)}.")
    return found.clock


def _event(fields: Fields, rate: float | None) -> Event:
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
    return Event(time, time_sd, frame / rate, frame_sd / rate)


def _told(found: Tied, stated: Clock | None) -> str:
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
