"""A C3D file by hand, byte by byte from the format's description (c3d.org), for the tests."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np


def parameter(group: int, name: str, kind: int, sizes: list[int], raw: bytes) -> bytes:
    body = struct.pack("bB", kind, len(sizes)) + bytes(sizes) + raw + b"\0"
    return (
        struct.pack("bb", len(name), group)
        + name.encode()
        + struct.pack("<H", len(body) + 2)
        + body
    )


def group(number: int, name: str) -> bytes:
    return struct.pack("bb", len(name), -number) + name.encode() + struct.pack("<H", 3) + b"\0"


def write_c3d(
    path: Path,
    position: np.ndarray,
    labels: list[str],
    rate: float = 500.0,
    first: int = 1,
    long_parameter: bool = False,
    long_trial: bool = False,
    drop: int = 0,
) -> None:
    """Real numbers, Intel, millimetres. position (T, L, 3) [mm], nan where not seen."""
    frames, points = position.shape[:2]
    wide = max(len(v) for v in labels)
    chain = group(1, "POINT")
    chain += parameter(1, "USED", 2, [], struct.pack("<h", points))
    chain += parameter(1, "SCALE", 4, [], struct.pack("<f", -0.01))
    chain += parameter(1, "RATE", 4, [], struct.pack("<f", rate))
    chain += parameter(1, "UNITS", -1, [2], b"mm")
    chain += parameter(1, "FRAMES", 2, [], struct.pack("<H", min(frames, 65535)))
    text = "".join(v.ljust(wide) for v in labels).encode()
    chain += parameter(1, "LABELS", -1, [wide, points], text)
    if long_parameter:
        chain += parameter(1, "LONG_FRAMES", 4, [], struct.pack("<f", frames))
    if long_trial:
        last = first + frames - 1
        chain += group(2, "TRIAL")
        begin, end = (struct.pack("<HH", v & 0xFFFF, v >> 16) for v in (first, last))
        chain += parameter(2, "ACTUAL_START_FIELD", 2, [2], begin)
        chain += parameter(2, "ACTUAL_END_FIELD", 2, [2], end)
    blocks = -(-(len(chain) + 8) // 512)
    section = (bytes([1, 80, blocks, 84]) + chain).ljust(blocks * 512, b"\0")
    head = struct.pack("<BBHHHHHfHHf", 2, 80, points, 0, first & 0xFFFF,
                       min(first + frames - 1, 65535), 10, -0.01, 2 + blocks, 0, rate)  # fmt: skip
    data = np.zeros((frames, points, 4), dtype="<f4")
    data[..., :3] = np.nan_to_num(position)
    data[..., 3] = np.where(np.isnan(position[..., 0]), -1.0, 0.0)
    raw = data.tobytes()
    path.write_bytes(head.ljust(512, b"\0") + section + raw[: len(raw) - drop])
