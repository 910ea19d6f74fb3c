"""One analog channel of a C3D file, on the clock of its markers.

A sample is (stored - ANALOG:OFFSET) x ANALOG:GEN_SCALE x ANALOG:SCALE (c3d.org, "The C3D File
Format: A Technical User Guide"), in whole or in real numbers. The first sample of a frame is at
the frame's own time.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lashwave.files.c3d import WRAP, frame_words, layout_of, rate_of, scale_of
from lashwave.files.c3d_parameters import BLOCK, Parameters, read_header, read_parameters
from lashwave.quantities import Array, InputError

HEAD = 256 * BLOCK * 2
"""Bytes that hold header and parameters."""


@dataclass(frozen=True)
class AnalogChannel:
    """What one channel recorded."""

    values: Array
    """(S,) in the file's own unit, volts as a rule."""
    rate: float
    """[Hz]"""
    start: float
    """Lab time of the first sample [s]."""


def read_analog(path: Path, where: str, name: str, rate: float | None = None) -> AnalogChannel:
    """Read the channel called `name`.

    Parameters
    ----------
    where : the file's name in messages.
    rate : of frames, replaces what the file states [Hz].

    Raises
    ------
    InputError
        For a broken file, one without analog channels, and a name that is none of them.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        data = stream.read(HEAD)
    header = read_header(data, size, where)
    parameters = read_parameters(data, header)
    notes: list[str] = []
    scale = scale_of(where, header, parameters)
    layout = layout_of(where, header, parameters, size, path, 2 if scale > 0 else 4, notes)
    labels = parameters.labels("ANALOG")
    words = layout.words - 4 * layout.points
    channels = int(parameters.number("ANALOG", "USED") or 0) or len(labels)
    if words < 1 or channels < 1 or words % channels:
        raise InputError(
            where, "holds no analog channels", "export them with the markers", field="ANALOG:USED"
        )
    names = labels[:channels]
    if names.count(name) != 1:
        problem = f"has {names.count(name) or 'no'} analog channel {name!r}"
        shown = ", ".join(repr(n) for n in names[:8]) or "no names"
        raise InputError(where, problem, f"its channels: {shown}", field="ANALOG:LABELS")
    at = names.index(name)
    each = words // channels
    unsigned = (parameters.text("ANALOG", "FORMAT") or "").upper() == "UNSIGNED"
    raw = np.empty(layout.count * each)
    for begin, block in frame_words(path, header, layout):
        part = block[:, 4 * layout.points + at :: channels]
        if unsigned and layout.width == 2:
            part = part.astype(np.int64) % WRAP
        raw[begin * each : (begin + len(block)) * each] = part.ravel()
    offset = _of(parameters, "OFFSET", at, 0.0)
    values = (raw - (offset % WRAP if unsigned else offset)) * _of(parameters, "SCALE", at, 1.0)
    general = parameters.number("ANALOG", "GEN_SCALE")
    slow = rate_of(where, header, parameters, notes) if rate is None else rate
    return AnalogChannel(
        values * (1.0 if general is None else general), slow * each, (layout.first - 1) / slow
    )


def _of(parameters: Parameters, name: str, at: int, default: float) -> float:
    """One channel's number of an ANALOG parameter."""
    found = parameters.values.get(("ANALOG", name), default)
    if isinstance(found, list):
        found = found[at] if at < len(found) else default
    if not isinstance(found, int | float):
        return default
    return float(found)
