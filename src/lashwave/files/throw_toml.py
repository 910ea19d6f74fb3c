"""A throw, or ranges of its inputs, from TOML."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lashwave.files.fields import Fields, parse_toml
from lashwave.quantities import InputError

EVEN = 3.0**0.5
"""Half width of an even spread over its standard deviation."""


def read_ranges(path: Path, dimensions: Mapping[str, str]) -> dict[str, tuple[float, float]]:
    """(low, high) of the inputs named in a file, SI; both alike where an input is fixed.

    An input is a quantity (`length = "2.1 m"`), a range (`{low = ..., high = ...}`), or a value
    with its standard deviation (`{value = ..., sd = ...}`: an even spread of that deviation).

    Parameters
    ----------
    dimensions : of every input that may be named, as of `units.SI`.

    Raises
    ------
    InputError : the file, a field or a quantity is at fault.
    """
    try:
        data = path.read_bytes()
    except OSError as failure:
        problem = f"cannot be read: {failure.strerror}"
        raise InputError(str(path), problem, "name a TOML file of a throw") from None
    fields = parse_toml(data, str(path)).expect(*dimensions)
    return {name: _range(fields, name, dimensions[name]) for name in fields.table}


def _range(fields: Fields, name: str, dimension: str) -> tuple[float, float]:
    given: Any = fields.get(name)
    if not isinstance(given, dict):
        value = fields.number(name, dimension)
        return value, value
    inner = Fields(fields.where, given, (*fields.path, name), fields.lines)
    inner.expect("low", "high", "value", "sd")
    if "value" in given or "sd" in given:
        value, sd = inner.number("value", dimension), inner.number("sd", dimension, low=0.0)
        return value - EVEN * sd, value + EVEN * sd
    low, high = inner.number("low", dimension), inner.number("high", dimension)
    if low > high:
        raise inner.fault("low", f"{low:g} is above high, {high:g}", "exchange them")
    return low, high
