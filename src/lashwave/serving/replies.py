"""What the server answers: JSON, arrays in one body, and where it will not do as asked.

JSON holds finite numbers only (RFC 8259 knows no nan). Arrays are a JSON header, then the numbers,
each array at a multiple of 8 bytes.
"""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray
from starlette.responses import Response


def plain(value: Any) -> Any:
    """The same as dicts, lists, texts and finite numbers; null for what is not finite."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value


def answer(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A JSON answer."""
    text = json.dumps(plain(value), allow_nan=False, ensure_ascii=False)
    return Response(text.encode(), status, headers, "application/json")


class Refused(Exception):
    """A request that is turned down: an HTTP status (RFC 9110), one line, perhaps a field.

    Parameters
    ----------
    status : 4xx.
    line : what is wrong, for the user.
    field : the field at fault, where there is one.
    more : further entries of the JSON answer.
    """

    def __init__(self, status: int, line: str, field: str | None = None, **more: Any) -> None:
        super().__init__(line)
        self.status = status
        self.record = {"error": " ".join(line.split()), "field": field, **more}


def not_found(line: str) -> Refused:
    """There is no such thing."""
    return Refused(404, line)


_KINDS = {"f4": "<f4", "f8": "<f8", "i4": "<i4", "u1": "|u1"}


def pack(arrays: dict[str, tuple[str, NDArray]], meta: dict[str, Any]) -> bytes:
    """The body of arrays (any shape, no unit) by name, each with its kind: f4, f8, i4 or u1.

    Numbers are little-endian: u32 length H of the header, H bytes of JSON padded with spaces so
    that 4 + H is a multiple of 8, then the arrays. The header's `arrays` gives dtype, shape and
    offset from the first array.
    """
    described, parts, offset = {}, [], 0
    for name, (kind, values) in arrays.items():
        data = np.ascontiguousarray(values, dtype=_KINDS[kind]).tobytes()
        described[name] = {"dtype": kind, "shape": list(values.shape), "offset": offset}
        gap = -len(data) % 8
        parts += [data, b"\0" * gap]
        offset += len(data) + gap
    header = json.dumps({"arrays": described, **plain(meta)}, allow_nan=False).encode()
    header += b" " * (-(4 + len(header)) % 8)
    return b"".join([struct.pack("<I", len(header)), header, *parts])


def unpack(body: bytes) -> tuple[dict[str, NDArray], dict[str, Any]]:
    """Arrays (any shape, no unit) and header of a body that `pack` made."""
    (length,) = struct.unpack_from("<I", body)
    header = json.loads(body[4 : 4 + length])
    arrays = {}
    for name, one in header["arrays"].items():
        count = int(np.prod(one["shape"]))
        start = 4 + length + one["offset"]
        flat = np.frombuffer(body, _KINDS[one["dtype"]], count, start)
        arrays[name] = flat.reshape(one["shape"])
    return arrays, header
