"""The pack, read by struct and numpy as the contract says, without `unpack`."""

from __future__ import annotations

import json
import struct

import numpy as np
from hypothesis import given, strategies as st

from lashwave.serving.replies import pack, unpack


@given(
    st.lists(st.tuples(st.sampled_from(["f4", "f8", "i4", "u1"]), st.integers(0, 9)), max_size=5)
)
def test_every_array_stands_where_the_header_says(shapes: list[tuple[str, int]]) -> None:
    arrays = {f"a{i}": (kind, np.arange(n) % 200) for i, (kind, n) in enumerate(shapes)}
    body = pack(arrays, {"word": "straße", "none": float("nan")})
    (length,) = struct.unpack("<I", body[:4])
    header = json.loads(body[4 : 4 + length].decode())
    assert (4 + length) % 8 == 0
    assert header["word"] == "straße" and header["none"] is None
    for name, (kind, values) in arrays.items():
        one = header["arrays"][name]
        assert one["dtype"] == kind and one["offset"] % 8 == 0
        start = 4 + length + one["offset"]
        found = np.frombuffer(body, f"<{kind}", values.size, start)
        assert np.array_equal(found, values.astype(kind)) and one["shape"] == [values.size]


def test_unpack_gives_back_shapes() -> None:
    values = np.arange(24.0).reshape(2, 3, 4)
    arrays, header = unpack(pack({"x": ("f4", values)}, {"trial": "t"}))
    assert np.array_equal(arrays["x"], values) and header["trial"] == "t"
