"""Damage for `make fuzz`: bytes changed, cut, doubled; numbers and words by hostile ones."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

from hypothesis import HealthCheck, Phase, given, seed, settings, strategies as st

NUMBERS = [
    b"nan", b"-nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-320", b"1e999", b"0", b"-0", b"-1",
    b"9" * 400, b"0x1p3", b"1_0", b"1,5", b"1e", b"--1", b"true", b"null", b"[]", b"{}", b'""',
    b"65535", b"65536", b"2147483648", b"4294967296", b"18446744073709551616", b"0.1e-5",
    "١٢".encode(), "½".encode(),
]  # fmt: skip
WORDS = [
    b"", b" ", b"\0", b"\n", b"\r", b'"', b"'", b"=1+1", b"@SUM(1)", b"../../etc/passwd",
    b"/dev/zero", b"\xff\xfe", "\u202e".encode(), b"a" * 5000, b"." * 3000, b"[" * 3000, b"{" * 500,
    b"%s%n", b"<script>", "\ud7ff\uffff".encode(), b"*", b"NaN", b"trial.toml", b".", b"\x1b[31m",
]  # fmt: skip
_NUMBER = re.compile(rb"-?\d+\.?\d*(?:[eE][+-]?\d+)?")
_WORD = re.compile(rb"[A-Za-z][\w.-]*")


def flipped(data: bytearray, draw: random.Random) -> bytearray:
    """Some bits of some bytes."""
    for _ in range(draw.choice((1, 1, 2, 8, 64))):
        if data:
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return data


def overwritten(data: bytearray, draw: random.Random) -> bytearray:
    """A run of bytes, by zeros, by ones or at random; most often near the head."""
    if not data:
        return data
    at = draw.randrange(min(len(data), draw.choice((64, 1024, len(data)))))
    count = min(draw.choice((1, 2, 4, 8, 512)), len(data) - at)
    kind = draw.choice((b"\0", b"\xff", b"\x7f", b"\x80", None))
    data[at : at + count] = draw.randbytes(count) if kind is None else kind * count
    return data


def cut(data: bytearray, draw: random.Random) -> bytearray:
    """Only the beginning."""
    return data[: draw.randrange(len(data) + 1)]


def without(data: bytearray, draw: random.Random) -> bytearray:
    """A run taken out."""
    at = draw.randrange(len(data) + 1)
    del data[at : at + draw.choice((1, 2, 16, 512))]
    return data


def doubled(data: bytearray, draw: random.Random) -> bytearray:
    """A run put in twice."""
    at = draw.randrange(len(data) + 1)
    return data[:at] + data[at : at + draw.choice((1, 64, 512, 4096))] + data[at:]


def hostile_number(data: bytearray, draw: random.Random) -> bytearray:
    """A number replaced."""
    return _replaced(data, draw, _NUMBER, NUMBERS)


def hostile_word(data: bytearray, draw: random.Random) -> bytearray:
    """A word replaced."""
    return _replaced(data, draw, _WORD, WORDS)


def swapped_lines(data: bytearray, draw: random.Random) -> bytearray:
    """A line moved to another place."""
    lines = bytes(data).split(b"\n")
    lines.insert(draw.randrange(len(lines)), lines.pop(draw.randrange(len(lines))))
    return bytearray(b"\n".join(lines))


def _replaced(
    data: bytearray, draw: random.Random, what: re.Pattern[bytes], by: list[bytes]
) -> bytearray:
    found = list(what.finditer(bytes(data[:200_000])))
    if not found:
        return data
    one = draw.choice(found)
    return data[: one.start()] + draw.choice(by) + data[one.end() :]


OF_BYTES = (flipped, overwritten, cut, without, doubled)
OF_TEXT = (*OF_BYTES, hostile_number, hostile_number, hostile_word, hostile_word, swapped_lines)


def mutated(data: bytes, draw: random.Random, *, text: bool) -> bytes:
    """One to three changes of a file's content."""
    out = bytearray(data)
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        out = draw.choice(OF_TEXT if text else OF_BYTES)(out, draw)
    return bytes(out)


def odd_value() -> st.SearchStrategy[object]:
    """What JSON or TOML may hold and no field asks for."""
    return st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
        | st.sampled_from([10**400, "1e308 m", "5 mm", "-1 mm", "* m", "1e-320 px", "%", "=1"]),
        lambda inner: st.lists(inner, max_size=4)
        | st.dictionaries(st.text(max_size=8), inner, max_size=4),
        max_leaves=12,
    )  # fmt: skip


def drawn(
    strategy: st.SearchStrategy[object], count: int, start: int, use: Callable[[object], None]
) -> None:
    """Hand `count` values of a strategy to `use`, the same ones for the same `start`."""
    left = [count]

    @seed(start)
    @settings(
        max_examples=count, database=None, deadline=None, phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def hand(value: object) -> None:
        if left[0] > 0:
            left[0] -= 1
            use(value)

    hand()
    while left[0] > 0:  # a small strategy runs dry: its plainest value again
        left[0] -= 1
        use(None)
