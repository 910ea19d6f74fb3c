"""Tables as TOML text by tomlkit; reading is left to tomllib, which is faster."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import tomlkit

from lashwave.quantities import quantity

INLINE = ("clock", "tuft")
"""Small tables that stand in one line."""


PEOPLE = {
    "m": ("length", [("mm", 1e-3, 0.0, 0.05)]),
    "kg": ("mass", [("g", 1e-3, 0.0, 1.0)]),
    "s": ("time", [("us", 1e-6, 0.0, 1e-4), ("ms", 1e-3, 0.0, 0.1)]),
    "Hz": ("frequency", [("kHz", 1e3, 0.0, math.inf)]),
    "Pa": ("pressure", [("kPa", 1e3, 0.0, math.inf)]),
    "K": ("temperature", [("degC", 1.0, 273.15, math.inf)]),
}
"""By SI unit: its dimension, and units that a person would write: name, size, zero, up to where."""


def with_unit(value: float, unit: str) -> str:
    """A number with its unit, as a person would state it; the number reads back the same."""
    number = float(value)
    dimension, units = PEOPLE.get(unit, ("", []))
    for other, size, zero, most in units:
        text = f"{(number - zero) / size:.12g} {other}"
        short = 0.0 < abs(number) < most and "e" not in text.split()[0]
        if short and quantity(text, dimension) == number:
            return text
    plain = f"{number:.15g}"
    return f"{plain if float(plain) == number else repr(number)} {unit}"


def toml_text(
    table: Mapping[str, Any], head: str | None = None, comments: Mapping[str, str] | None = None
) -> str:
    """The text of a table; what is None, or at its top empty, is left out.

    Parameters
    ----------
    table : texts, numbers, dates, lists and tables; arrays must be lists.
    head : a comment above it.
    comments : by key of the table itself, what stands behind its value, or its heading.

    Raises
    ------
    TypeError, ValueError, RecursionError
        For what TOML cannot hold.
    """
    document = tomlkit.document()
    if head is not None:
        document.add(tomlkit.comment(head))
    for key, given in table.items():
        value = _without_none(given)
        if value in (None, {}, []):
            continue
        item = tomlkit.item(_item(value))
        if comments and key in comments:
            item.comment(comments[key])
        document.add(key, item)
    return tomlkit.dumps(document)


def _item(value: Any) -> Any:
    """Tables of tables as [[...]], arrays of numbers in one line."""
    if isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
        tables = tomlkit.aot()
        for one in value:
            tables.append(_item(one))
        return tables
    if isinstance(value, dict):
        table = tomlkit.table()
        # Plain values first: in TOML they would belong to the table that opened above them.
        for key, one in sorted(value.items(), key=lambda pair: _opens_a_table(pair[1])):
            if key in INLINE and isinstance(one, dict):
                inline = tomlkit.inline_table()
                inline.update(one)
                table.add(key, inline)
            else:
                table.add(key, _item(one))
        return table
    return value


def _opens_a_table(value: Any) -> bool:
    tables = isinstance(value, list) and any(isinstance(v, dict) for v in value)
    return tables or isinstance(value, dict)


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list):
        return [_without_none(v) for v in value if v is not None]
    return value
