"""The TOML file of `lashwave design`: a hand, limits, and what is known of cord and air."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lashwave.files import Fields, range_of, read_toml
from lashwave.quantities import UnitError, quantity
from lashwave.study import hands_seen, throw_family
from lashwave.study.line_design import CORD, HAND, Problem
from lashwave.study.tapers import Stock

Range = tuple[float, float]
DIMENSIONS = throw_family.DIMENSIONS
MIDDLE = throw_family.MIDDLE


def read_problem(path: Path, seen: dict[str, Range] | None = None) -> Problem:
    """The problem of a file.

    seen : of the hand, from measured throws; what the file says of the hand goes before it.

    Raises
    ------
    InputError : the file or a field is at fault.
    """
    fields = read_toml(path, "limits").expect("wanted", "limits", "hand", "cord")
    limits = fields.sub("limits", required=True)
    limits.expect("length", "mass", "diameter", "diameters", "grip_force", "energy")
    hand, cord = fields.sub("hand"), fields.sub("cord")
    stock = _stock(limits, 3e-3 if cord is None else cord.number("at", "length", 3e-3, above=0.0))
    return Problem(
        stock, _hand(hand, seen or {}), _cord(cord),
        limits.number("grip_force", "force", np.inf, above=0.0),
        limits.number("energy", "energy", np.inf, above=0.0),
        fields.number("wanted", "speed", None, above=0.0),
    )  # fmt: skip


def _stock(limits: Fields, reference: float) -> Stock:
    length = _positive(limits, "length", "length")
    mass = _positive(limits, "mass", "mass")
    if mass[0] == mass[1]:  # one value is the most
        mass = (0.0, mass[1])
    if limits.has("diameters") == limits.has("diameter"):
        raise limits.fault(
            "diameters", "one of diameter and diameters is needed",
            'write diameter = {low = "2 mm", high = "10 mm"}, or diameters = ["2 mm", "4 mm"]',
        )  # fmt: skip
    if limits.has("diameter"):
        thin = _positive(limits, "diameter", "length")
        if thin[0] == thin[1]:
            raise limits.fault("diameter", "is one value", "give low and high")
        return Stock(length, mass, thin, (), reference)
    given = limits.get("diameters")
    if not isinstance(given, list) or not 2 <= len(given) <= 12:
        raise limits.fault("diameters", "is no list of 2 to 12", 'write ["2 mm", "4 mm", "6 mm"]')
    try:
        sections = tuple(quantity(one, "length") for one in given)
    except UnitError as error:
        raise limits.fault("diameters", error.problem, error.remedy) from None
    if min(sections) <= 0.0 or len(set(sections)) < len(sections):
        raise limits.fault("diameters", "are not all above 0 and unlike", "name each once")
    return Stock(length, mass, (min(sections), max(sections)), sections, reference)


def _positive(fields: Fields, name: str, dimension: str) -> Range:
    fields.get(name)
    low, high = range_of(fields, name, dimension)
    if low <= 0.0:
        raise fields.fault(name, f"{low:g} is not above 0", "give positive values")
    return low, high


def _hand(fields: Fields | None, seen: dict[str, Range]) -> dict[str, Range]:
    """Of the file, else as seen, else the middle of the family's range."""
    found = {name: seen.get(name, (MIDDLE[name],) * 2) for name in HAND}
    if fields is None:
        return found
    fields.expect("speed", *HAND)
    if fields.has("speed"):
        if fields.has("amplitude") or fields.has("time"):
            raise fields.fault("speed", "stands beside amplitude or time", "give one or the other")
        found |= hands_seen.stroke(*_positive(fields, "speed", "speed"))
    for name in HAND:
        if fields.has(name):
            found[name] = range_of(fields, name, DIMENSIONS[name])
    for name in ("amplitude", "time", "loop"):
        if found[name][0] <= 0.0:
            raise fields.fault(name, "is not above 0", "give positive values")
    return found


def _cord(fields: Fields | None) -> dict[str, Range]:
    """Of the file, else the family's whole range: what is not known."""
    found = {item.name: (item.low, item.high) for item in throw_family.INPUTS if item.name in CORD}
    if fields is None:
        return found
    fields.expect("at", *CORD)
    for name in CORD:
        if fields.has(name):
            low, high = range_of(fields, name, DIMENSIONS[name])
            if low <= 0.0:
                raise fields.fault(name, f"{low:g} is not above 0", "give positive values")
            found[name] = (low, high)
    return found
