"""Values as TOML writes them, numbers to the last digit."""

from __future__ import annotations

import json

from numpy.typing import NDArray


def number(value: float) -> str:
    """A number that reads back the same."""
    return repr(float(value))


def numbers(values: NDArray) -> str:
    """An array of numbers (N,)."""
    return "[" + ", ".join(number(v) for v in values) + "]"


def matrix(values: NDArray) -> str:
    """An array of arrays of numbers (M, N)."""
    return "[" + ", ".join(numbers(row) for row in values) + "]"


def quantity(key: str, value: float, unit: str) -> str:
    """A line that sets `key` to a number with its unit."""
    return f'{key} = "{number(value)} {unit}"'


def text(value: str) -> str:
    """A quoted string or key: JSON's escapes are TOML's."""
    return json.dumps(value, ensure_ascii=False)
