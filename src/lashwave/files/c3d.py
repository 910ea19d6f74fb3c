"""Marker samples from C3D: all encodings, long files whole, and no file that cannot be trusted.

Frames are read a piece at a time, so memory is that of the answer. The count of frames is
never taken from one place: what header and parameters say must fit the size of the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.c3d_parameters import (
    BLOCK,
    DEC,
    MIPS,
    C3dHeader,
    Parameters,
    read_header,
    read_parameters,
)
from lashwave.files.c3d_second_labels import second_labels
from lashwave.files.marker_samples import MarkerSamples, zeros_to_gaps
from lashwave.quantities import Array, InputError, counted

_UNITS = {"mm": 1e-3, "cm": 1e-2, "dm": 0.1, "m": 1.0, "um": 1e-6, "in": 0.0254}
_LONG_UNITS = {"millimeters": 1e-3, "millimetres": 1e-3, "centimeters": 1e-2, "centimetres": 1e-2,
               "meters": 1.0, "metres": 1.0, "inches": 0.0254}  # fmt: skip
_HEAD = 256 * BLOCK * 2
"""Bytes that hold header and parameters: a section has at most 255 blocks, begun within 255."""
_PIECE = 1 << 18
"""Words read at a time: few enough to stay in the processor's cache."""
WRAP = 1 << 16
"""The header counts frames with 16 bits."""


@dataclass(frozen=True)
class FrameLayout:
    """Where the frames lie."""

    points: int
    words: int
    """In one frame, points and analog."""
    width: int
    """Bytes in one word."""
    first: int
    count: int


def read_c3d(
    path: Path, where: str, labels: tuple[str, ...] | None = None, rate: float | None = None
) -> MarkerSamples:
    """Read the samples of `labels` (None: of every label that is not doubled) from a C3D file.

    Times are (frame - 1) / rate with the file's own frame numbers.

    Parameters
    ----------
    where : the file's name in messages.
    labels : labels that the file lacks are nan throughout.
    rate : replaces the rate that the file states [Hz].

    Raises
    ------
    InputError
        With the reason, for a file that is broken, cut, or says different things of itself.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        data = stream.read(_HEAD)
    header = read_header(data, size, where)
    parameters = read_parameters(data, header)
    notes = [parameters.broken + "; what came before it was read"] if parameters.broken else []
    names = _labels(path, where, header, parameters, notes)
    scale = scale_of(where, header, parameters)
    layout = layout_of(where, header, parameters, size, path, 2 if scale > 0 else 4, notes)
    names = (names + [""] * layout.points)[: layout.points]
    free = np.array([nameless(n) and n not in (labels or ()) for n in names])
    present = tuple(dict.fromkeys(n for n, f in zip(names, free, strict=True) if not f))
    single = tuple(n for n in present if names.count(n) == 1)
    wanted = single if labels is None else labels
    columns = _columns(where, names, wanted)
    rate = rate_of(where, header, parameters, notes) if rate is None else rate
    unit = _unit(where, parameters, notes)
    factor = unit * scale if scale > 0 else unit
    position, rows, loose, zeros = _placed(path, header, layout, columns, free, factor)
    time = (layout.first + np.arange(layout.count) - 1) / rate
    if zeros:
        notes.append(f"{counted(zeros, 'sample')} exactly at 0, 0, 0: not seen.")
    return MarkerSamples(
        time,
        rate,
        wanted,
        position,
        present,
        time[rows],
        loose,
        notes=tuple(notes),
    )


def nameless(label: str) -> bool:
    """Whether a point has no label: an empty one, or one that begins with `*`.

    The format (c3d.org) names every point or leaves its label blank; the star before a running
    number is a usage of exporters for points that nobody has named.
    """
    return not label or label.startswith("*")


def _fault(where: str, problem: str, remedy: str, field: str = "C3D") -> InputError:
    return InputError(where, problem, remedy, field=field)


def _labels(
    path: Path, where: str, header: C3dHeader, parameters: Parameters, notes: list[str]
) -> list[str]:
    """The labels of the points in order; from a second reader where our own finds none."""
    names = parameters.labels()
    if header.points == 0 and not parameters.number("POINT", "USED"):
        raise _fault(where, "holds no points", "export the markers into it", "POINT:USED")
    if not any(names):
        names = second_labels(path)
        if names:
            notes.append("labels were read by a second reader")
    if not any(names) and (parameters.broken or ("POINT", "LABELS") not in parameters.values):
        why = f" ({parameters.broken})" if parameters.broken else ""
        raise _fault(where, f"has no labels{why}", "export it with its parameters", "POINT:LABELS")
    return names


def scale_of(where: str, header: C3dHeader, parameters: Parameters) -> float:
    """The factor of whole-number frames, no unit; negative for frames of real numbers.

    Raises InputError where header and parameters state two.
    """
    stated = parameters.number("POINT", "SCALE")
    scale = header.scale if stated is None else stated
    # The scale of real frames is not used, so only its sign matters there.
    apart = scale > 0 and abs(header.scale / scale - 1) > 1e-4
    if not np.isfinite(scale) or scale == 0 or (scale > 0) != (header.scale > 0) or apart:
        raise _fault(
            where,
            f"states the scales {header.scale:g} (header) and {scale:g}",
            "export it again",
            "POINT:SCALE",
        )
    return scale


def layout_of(
    where: str,
    header: C3dHeader,
    parameters: Parameters,
    size: int,
    path: Path,
    width: int,
    notes: list[str],
) -> FrameLayout:
    """The layout that what is stated and the size of the file agree on.

    Parameters
    ----------
    size : of the file [bytes]; width : of a word [bytes]; notes : what is worth noting is added.

    Raises InputError where nothing that is stated fits the size.
    """
    used = parameters.number("POINT", "USED")
    points = [header.points] if used is None else list(dict.fromkeys([header.points, int(used)]))
    analog = [header.analog]
    channels, fast = parameters.number("ANALOG", "USED"), parameters.number("ANALOG", "RATE")
    slow = parameters.number("POINT", "RATE") or header.rate
    if channels and fast and slow > 0 and 0 < fast / slow < 1e4:
        analog.append(round(channels) * round(fast / slow))
    analog.append(header.analog * max(header.analog_per_frame, 1))
    room = size - header.data_start
    for n in points:
        for a in dict.fromkeys(analog):
            words = 4 * n + a
            found = _count(header, parameters, room, words * width, path) if n > 0 else None
            if found is not None:
                if (n, a) != (header.points, header.analog):
                    notes.append(f"the header's {header.analog} analog words a frame are not so")
                return FrameLayout(n, words, width, *found)
    words = 4 * header.points + header.analog
    raise _no_count(where, header, parameters, room, max(words, 1) * width)


def _stated(header: C3dHeader, parameters: Parameters) -> list[tuple[int, int]]:
    """Each (first frame, count) that header and parameters state, the widest numbers first."""
    stated = []
    begin = parameters.words("TRIAL", "ACTUAL_START_FIELD")
    end = parameters.words("TRIAL", "ACTUAL_END_FIELD")
    if begin is not None and end is not None:
        stated.append((begin, end - begin + 1))
    first = header.first if begin is None else begin
    for name in ("LONG_FRAMES", "FRAMES"):
        frames = parameters.number("POINT", name)
        if frames is not None and np.isfinite(frames):
            count = int(frames)
            stated.append((first, count + WRAP if -WRAP / 2 <= count < 0 else count))
    stated.append((header.first, header.last - header.first + 1))
    return [(f, c) for f, c in stated if c > 0]


def _count(
    header: C3dHeader, parameters: Parameters, room: int, frame: int, path: Path
) -> tuple[int, int] | None:
    """(first frame, count) that fits the file's size; None where nothing does."""
    stated = _stated(header, parameters)
    for first, count in stated:
        if 0 <= room - count * frame < BLOCK:
            return first, count
    whole = room // frame
    # A counter of 16 bits is full or has begun again. The size tells the count for certain only
    # where the padding of the last block is shorter than a frame.
    wrapped = any(c >= WRAP - 1 or (whole > c and (whole - c) % WRAP == 0) for _, c in stated)
    if wrapped and whole >= WRAP - 1 and frame >= BLOCK and room % frame < BLOCK:
        return (stated[0][0] if stated else header.first), whole
    for first, count in stated:
        if 0 < count * frame < room and count < WRAP - 1 and _zero_from(path, room - count * frame):
            return first, count
    return None


def _zero_from(path: Path, length: int) -> bool:
    """Whether the last `length` bytes of a file are all zero: padding, and no frames."""
    with path.open("rb") as stream:
        stream.seek(-length, 2)
        while block := stream.read(1 << 20):
            if block.strip(b"\0"):
                return False
    return True


def _no_count(
    where: str, header: C3dHeader, parameters: Parameters, room: int, frame: int
) -> InputError:
    """The reason why a count of frames cannot be trusted."""
    stated = [count for _, count in _stated(header, parameters)]
    whole = room // frame
    if not stated:
        return _fault(where, "states no frames", "export it again", "C3D frames")
    most = max(stated)
    if most > whole:
        return _fault(
            where,
            f"states {counted(most, 'frame')} and holds {whole}: it was cut",
            "export or copy it again",
            "C3D frames",
        )
    if whole >= WRAP - 1 and (most >= WRAP - 1 or (whole - most) % WRAP < BLOCK / frame + 1):
        return _fault(
            where,
            f"holds some {whole} frames, more than its header can count, and does not say how many",
            "export it with POINT:LONG_FRAMES or in pieces",
            "C3D frames",
        )
    return _fault(
        where,
        f"states {counted(most, 'frame')} and has room for {whole}",
        "export it again",
        "C3D frames",
    )


def _columns(where: str, names: list[str], wanted: tuple[str, ...]) -> NDArray[np.int64]:
    """The point of each wanted label; -1 where the file lacks it."""
    columns = []
    for label in wanted:
        count = names.count(label)
        if count > 1:
            raise _fault(
                where, f"has {count} points called {label!r}", "rename them", "POINT:LABELS"
            )
        columns.append(names.index(label) if count else -1)
    return np.array(columns, dtype=np.int64)


def rate_of(where: str, header: C3dHeader, parameters: Parameters, notes: list[str]) -> float:
    """Frames a second [Hz]; raises InputError for one that is not plausible."""
    stated = parameters.number("POINT", "RATE")
    rate = header.rate if stated is None else stated
    if not np.isfinite(rate) or not 1.0 <= rate <= 1e5:
        raise _fault(where, f"states a rate of {rate:g} Hz", "give rate in [markers]", "POINT:RATE")
    if stated is None:
        notes.append(f"has no POINT:RATE; {rate:g} Hz of its header was taken")
    elif abs(header.rate / rate - 1) > 1e-3:
        notes.append(f"its header says {header.rate:g} Hz; {rate:g} Hz of POINT:RATE was taken")
    return rate


def _unit(where: str, parameters: Parameters, notes: list[str]) -> float:
    """Factor from the file's unit to metres; a name that was cut is completed where it is plain."""
    text = parameters.text("POINT", "UNITS")
    if not text:
        notes.append("has no POINT:UNITS; millimetres were taken")
        return 1e-3
    name = text.lower()
    if name in _UNITS:
        return _UNITS[name]
    factors = {v for k, v in _LONG_UNITS.items() if k.startswith(name)} if len(name) > 2 else set()
    if len(factors) != 1:
        raise _fault(where, f"states the unit {text[:20]!r}", "export in mm or m", "POINT:UNITS")
    return factors.pop()


def _pieces(
    path: Path, header: C3dHeader, layout: FrameLayout
) -> Iterator[tuple[int, NDArray[Any]]]:
    """The points' words, a run of frames at a time: (first row, (F, L, 4)), file units."""
    for begin, words in frame_words(path, header, layout):
        block = words[:, : 4 * layout.points]
        yield begin, block.reshape(len(words), layout.points, 4)


def _placed(
    path: Path, header: C3dHeader, layout: FrameLayout, columns: NDArray[np.int64],
    free: NDArray[np.bool_], factor: float,
) -> tuple[Array, NDArray[np.int64], Array, int]:  # fmt: skip
    """Places of the points `columns` (T, L, 3) [m], nan where one is -1, and how many were zero.

    Between them: the row (U,) and the place (U, 3) [m] of each sample of a point that is `free`.
    factor : from the file's numbers to metres.
    """
    position = np.empty((layout.count, columns.size, 3))
    have = np.flatnonzero(columns >= 0)
    position[:, columns < 0] = np.nan
    rows, loose, zeros = [np.empty(0, np.int64)], [np.empty((0, 3))], 0
    for begin, points in _pieces(path, header, layout):
        own = position[begin : begin + len(points)]
        if have.size == columns.size:
            zeros += _put(points[:, _as_slice(columns)], factor, own)
        else:
            found = np.empty((len(points), have.size, 3))
            zeros += _put(points[:, columns[have]], factor, found)
            own[:, have] = found
        if free.any():
            rest = np.empty((len(points), int(free.sum()), 3))
            _put(points[:, free], factor, rest)
            row, column = np.nonzero(np.isfinite(rest[..., 0]))
            rows.append(begin + row)
            loose.append(rest[row, column])
    return position, np.concatenate(rows), np.concatenate(loose), zeros


def _as_slice(columns: NDArray[np.int64]) -> slice | NDArray[np.int64]:
    """The same columns without a copy, where they follow each other."""
    first = int(columns[0]) if columns.size else 0
    run = np.array_equal(columns, np.arange(first, first + columns.size))
    return slice(first, first + columns.size) if run else columns


def _put(points: NDArray[Any], factor: float, place: Array) -> int:
    """Fill places (F, L, 3) [m] from words (F, L, 4); how many of them were exactly zero.

    A point is nan where its fourth word is negative and where it is no number.
    """
    place[...] = points[..., :3]
    place *= factor
    with np.errstate(invalid="ignore"):
        lost = points[..., 3] < 0
    if points.dtype.kind == "f":
        for word in range(3):  # a test of all three at once would run along an axis of three
            lost |= ~np.isfinite(points[..., word])
    place[lost] = np.nan
    return zeros_to_gaps(place)


def frame_words(
    path: Path, header: C3dHeader, layout: FrameLayout
) -> Iterator[tuple[int, NDArray[Any]]]:
    """Words of all frames as numbers, no unit, a run of frames at a time: (first row, (F, W))."""
    kind = "i2" if layout.width == 2 else "f4"
    order = ">" if header.processor == MIPS else "<"
    stored = "<u4" if header.processor == DEC and layout.width == 4 else order + kind
    rows = max(1, _PIECE // layout.words)
    for begin in range(0, layout.count, rows):
        count, skip = min(rows, layout.count - begin), begin * layout.words * layout.width
        block = np.fromfile(path, stored, count * layout.words, offset=header.data_start + skip)
        if stored == "<u4":
            block = ((block >> 16) | (block << 16)).view("<f4") / np.float32(4)
        yield begin, block.reshape(count, layout.words)
