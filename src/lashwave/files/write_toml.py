"""Tables as TOML text by tomlkit; reading is left to tomllib, which is faster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomlkit

INLINE = ("clock", "tuft")
"""Small tables that stand in one line."""


def with_unit(value: float, unit: str) -> str:
    """A number with its unit, as descriptions state it; the number reads back the same."""
    return f"{float(value)!r} {unit}"


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
