"""Header and parameter section of a C3D file, read by bounded steps that no file can lead astray.

The layout follows the public description of the format (c3d.org, "The C3D File Format: A
Technical User Guide"): 512-byte blocks, a header block, a chain of groups and parameters, and the
frames; numbers as Intel, DEC or MIPS processors store them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from math import prod

from lashwave.quantities import InputError, counted

BLOCK = 512
INTEL, DEC, MIPS = 84, 85, 86
KEY = 80
LONGEST_CHAIN = 20_000
"""Groups and parameters in one file."""

Value = str | float | list[str] | list[float]


@dataclass(frozen=True)
class C3dHeader:
    """What the first block says; word numbers count from 1."""

    processor: int
    points: int
    analog: int
    """Analog words in one frame."""
    first: int
    last: int
    scale: float
    data_start: int
    """First byte of the frames."""
    analog_per_frame: int
    rate: float


@dataclass
class Parameters:
    """Every parameter that could be read, by (group, name) in capitals."""

    values: dict[tuple[str, str], Value] = field(default_factory=dict)
    broken: str = ""
    """Why the chain was left before its end, where it was."""

    def number(self, group: str, name: str) -> float | None:
        """A number, or the first of several; None where absent."""
        value = self.values.get((group, name))
        if isinstance(value, list):
            value = value[0] if value else None
        return float(value) if isinstance(value, int | float) else None

    def words(self, group: str, name: str) -> int | None:
        """An unsigned number kept as low and high 16-bit words, or as one number."""
        value = self.values.get((group, name))
        if isinstance(value, list) and len(value) == 2 and not isinstance(value[0], str):
            return (int(value[0]) & 0xFFFF) + ((int(value[1]) & 0xFFFF) << 16)
        single = self.number(group, name)
        return None if single is None or not abs(single) < 2**53 else int(single)

    def text(self, group: str, name: str) -> str | None:
        """A string; the first of several."""
        value = self.values.get((group, name))
        if isinstance(value, list):
            value = value[0] if value else None
        return value if isinstance(value, str) else None

    def labels(self, group: str = "POINT") -> list[str]:
        """POINT:LABELS, or of another group, with its continuations LABELS2, LABELS3, ..."""
        found: list[str] = []
        for name in ("LABELS", *(f"LABELS{i}" for i in range(2, 300))):
            value = self.values.get((group, name))
            if value is None:
                break
            more = value if isinstance(value, list) else [value]
            found += [str(v) for v in more]
        return found


def read_header(data: bytes, size: int, where: str) -> C3dHeader:
    """The header block, held against the file's size.

    Parameters
    ----------
    data : the file's first bytes, as many as lie before its frames at least.
    size : of the whole file [bytes].

    Raises InputError for a file that is no C3D, of an unknown processor, or shorter than it says.
    """

    def fault(problem: str) -> InputError:
        return InputError(where, problem, "export the file again", field="C3D header")

    if len(data) < BLOCK:
        raise fault(f"has {counted(size, 'byte')}, less than a C3D header")
    if data[1] != KEY:
        raise fault("is not a C3D file (its second byte is not 80)")
    section = (data[0] - 1) * BLOCK
    if data[0] < 2 or section + 4 > size:
        raise fault("points to parameters outside the file")
    processor = data[section + 3]
    if processor not in (INTEL, DEC, MIPS):
        raise fault(f"names the unknown processor {processor}")
    order = ">" if processor == MIPS else "<"
    words = struct.unpack(f"{order}10H", data[:20])
    data_start = (words[8] - 1) * BLOCK
    if words[8] < 2 or data_start >= size:
        raise fault("points to frames outside the file")
    return C3dHeader(
        processor=processor,
        points=words[1],
        analog=words[2],
        first=words[3],
        last=words[4],
        scale=to_float(data[12:16], processor),
        data_start=data_start,
        analog_per_frame=words[9],
        rate=to_float(data[20:24], processor),
    )


def to_float(raw: bytes, processor: int) -> float:
    """Four bytes as a number. A DEC number has its words swapped and is four times as large."""
    if processor == DEC:
        return float(struct.unpack("<f", raw[2:4] + raw[0:2])[0]) / 4.0
    return float(struct.unpack(">f" if processor == MIPS else "<f", raw)[0])


def read_parameters(data: bytes, header: C3dHeader) -> Parameters:
    """Walk the chain of groups and parameters, each step inside the section.

    The section ends where the frames begin, or at the end of `data` where they lie before it. A
    chain that leaves the section is given up there; what came before it is kept.
    """
    start = (data[0] - 1) * BLOCK
    end = header.data_start if header.data_start > start else len(data)
    end = min(end, len(data))
    order = ">" if header.processor == MIPS else "<"
    names: dict[int, str] = {}
    raw: list[tuple[int, str, Value]] = []
    result = Parameters()
    place = start + 4
    for _ in range(LONGEST_CHAIN):
        if place + 2 > end:
            result.broken = "the chain of parameters leaves its section"
            break
        length, group = struct.unpack("bb", data[place : place + 2])
        length = abs(length)
        if length == 0 or group == 0:
            break
        after = place + 2 + length
        if after + 2 > end:
            result.broken = "a parameter's name leaves its section"
            break
        name = _text(data[place + 2 : after]).upper()
        (step,) = struct.unpack(f"{order}H", data[after : after + 2])
        if group < 0:
            names[-group] = name
        else:
            value = _value(data, after + 2, end, header.processor)
            if value is not None:
                raw.append((group, name, value))
            else:
                result.broken = result.broken or f"parameter {name} does not fit its section"
        if step == 0:
            break
        place = after + step
    else:
        result.broken = "the chain of parameters does not end"
    for group, name, value in raw:
        result.values.setdefault((names.get(group, ""), name), value)
    return result


def _value(data: bytes, place: int, end: int, processor: int) -> Value | None:
    """One parameter's value; None where it does not fit."""
    if place + 2 > end:
        return None
    kind, count = struct.unpack("bB", data[place : place + 2])
    if count > 7 or kind not in (-1, 1, 2, 4) or place + 2 + count > end:
        return None
    sizes = list(data[place + 2 : place + 2 + count])
    place += 2 + count
    total = prod(sizes)
    width = abs(kind)
    if place + total * width > end:
        return None
    raw = data[place : place + total * width]
    if kind == -1:
        if count <= 1:
            return _text(raw)
        wide = sizes[0]
        return [_text(raw[i : i + wide]) for i in range(0, total, wide)] if wide else []
    if kind == 1:
        numbers = [float(v) for v in raw]
    elif kind == 2:
        order = ">" if processor == MIPS else "<"
        numbers = [float(v) for v in struct.unpack(f"{order}{total}h", raw)]
    else:
        numbers = [to_float(raw[i : i + 4], processor) for i in range(0, 4 * total, 4)]
    return numbers if count else numbers[0]


def _text(raw: bytes) -> str:
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.replace("\0", " ").strip()
