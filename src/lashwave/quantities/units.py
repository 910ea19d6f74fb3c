"""Units at the edge: a number with its unit becomes SI, and a wrong dimension is refused.

Common units are looked up; anything else goes to pint, which is imported only then.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

from lashwave.quantities.errors import LashwaveError

SI: dict[str, str] = {
    "length": "m",
    "mass": "kg",
    "time": "s",
    "frequency": "Hz",
    "temperature": "K",
    "pressure": "Pa",
    "area": "m^2",
    "angle": "rad",
    "pixel": "px",
    "linear density": "kg/m",
    "bending stiffness": "N m^2",
    "force": "N",
    "sensitivity": "V/Pa",
    "voltage": "V",
    "acceleration": "m/s^2",
    "density": "kg/m^3",
    "specific stiffness": "m^4/s^2",
    "speed": "m/s",
    "energy": "J",
    "ratio": "1",
}
"""SI unit of each dimension that a trial can state; `px` counts as one."""

_COMMON: dict[str, dict[str, float]] = {
    "length": {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "um": 1e-6, "km": 1e3, "in": 0.0254},
    "mass": {"kg": 1.0, "g": 1e-3, "mg": 1e-6},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0},
    "frequency": {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "1/s": 1.0, "fps": 1.0},
    "temperature": {"K": 1.0},
    "pressure": {"Pa": 1.0, "kPa": 1e3, "hPa": 1e2, "mbar": 1e2, "bar": 1e5, "MPa": 1e6},
    "area": {"m^2": 1.0, "mm^2": 1e-6, "cm^2": 1e-4},
    "angle": {"rad": 1.0, "mrad": 1e-3, "deg": math.pi / 180},
    "pixel": {"px": 1.0, "pixel": 1.0},
    "linear density": {"kg/m": 1.0, "g/m": 1e-3, "g/km": 1e-6, "mg/m": 1e-6, "tex": 1e-6},
    "bending stiffness": {"N m^2": 1.0, "N*m^2": 1.0, "mN m^2": 1e-3, "N mm^2": 1e-6},
    "force": {"N": 1.0, "kN": 1e3, "mN": 1e-3},
    "voltage": {"V": 1.0, "mV": 1e-3},
    "sensitivity": {"V/Pa": 1.0, "mV/Pa": 1e-3},
    "acceleration": {"m/s^2": 1.0},
    "density": {"kg/m^3": 1.0, "g/cm^3": 1e3},
    "specific stiffness": {"m^4/s^2": 1.0},
    "speed": {"m/s": 1.0, "km/h": 1.0 / 3.6},
    "energy": {"J": 1.0, "mJ": 1e-3},
    "ratio": {"1": 1.0, "%": 1e-2, "ppm": 1e-6},
}
_CELSIUS = {"degC", "°C", "celsius", "degree_Celsius"}
_NUMBER = re.compile(
    r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(?:/(\d{1,9}))?\s*(.*)$",
    re.ASCII | re.DOTALL,
)
_LONGEST = 80  # a unit longer than this is not one, and is not worth parsing
_UNIT_TEXT = re.compile(r"[\w%°µ /*^.()-]+\Z")
_HUGE_POWER = re.compile(r"(\^|\*\*)\s*[-(]?\s*\d{2,}")


class UnitError(LashwaveError, ValueError):
    """A quantity that cannot be taken to SI: what is wrong, and what would be right."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(f"{problem}; {remedy}")


def quantity(value: object, dimension: str) -> float:
    """A TOML quantity in SI.

    Parameters
    ----------
    value : a string with its unit ("0.3 mm", a fraction as "24000/1001 Hz"), or a bare finite
        number, already SI.
    dimension : a key of `SI`.

    Raises
    ------
    UnitError
        For a string without number or unit, a unit of another dimension, a number that is not
        finite, and anything else.
    """
    wanted = _wanted(dimension)
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UnitError(f"{_shown(value)} is not a quantity", wanted)
    if isinstance(value, str):
        match = _NUMBER.match(value.strip())
        if match is None:
            raise UnitError(f"{_shown(value)} does not begin with a number", wanted)
        unit = match.group(3).strip()
        if not unit and dimension != "ratio":
            raise UnitError(f"{_shown(value)} has no unit", wanted)
        factor, offset = to_si(unit or "1", dimension)
        parts = float(match.group(2) or 1)
        result = math.inf if parts == 0.0 else float(match.group(1)) / parts * factor + offset
    else:
        try:
            result = float(value)
        except OverflowError:
            result = math.inf
    if not math.isfinite(result):
        raise UnitError(f"{_shown(value)} is not finite", wanted)
    return result


def limit_text(limit: float, value: float) -> str:
    """A limit in as few digits, from six, as still show that `value` is beyond it."""
    side = (value > limit) - (value < limit)
    texts = [f"{limit:.{digits}g}" for digits in range(6, 18)]  # 17 digits are any double's own
    return next(t for t in texts if (value > float(t)) - (value < float(t)) == side)


def heading(text: str) -> tuple[str, str | None]:
    """A CSV heading `name [unit]` as its name and its unit (None where no brackets stand).

    Raises UnitError where the text is not of that form.
    """
    match = re.fullmatch(r"\s*([^\[\]]*?)\s*(?:\[([^\[\]]*)\])?\s*", text)
    if match is None:
        raise UnitError(f"heading {_shown(text)} is not understood", "write `name [unit]`")
    unit = match.group(2)
    return match.group(1), None if unit is None else unit.strip()


def factor(unit: str | None, dimension: str) -> float:
    """What a column in `unit` is multiplied by to be SI; None is SI already.

    Raises UnitError where the unit is unknown, of another kind, or has a zero of its own.
    """
    if unit is None:
        return 1.0
    scale, offset = to_si(unit, dimension)
    if offset:
        raise UnitError(f"[{unit}] has a zero of its own", f"use [{SI[dimension]}]")
    return scale


def to_si(unit: str, dimension: str) -> tuple[float, float]:
    """Factor and offset from `unit` to SI.

    Raises UnitError where it is unknown or of another kind.
    """
    common = _COMMON[dimension].get(unit)
    if common is not None:
        return common, 0.0
    if dimension == "temperature" and unit in _CELSIUS:
        return 1.0, 273.15
    for other, table in _COMMON.items():
        if unit in table or (other == "temperature" and unit in _CELSIUS):
            raise UnitError(f"[{unit}] is a unit of {other}", _wanted(dimension))
    return _rare(unit, dimension)


@cache
def _rare(unit: str, dimension: str) -> tuple[float, float]:
    """`to_si` by pint. Text that could make a parser work hard is refused before it is parsed."""
    unknown = UnitError(f"unit {_shown(unit)} is not known", _wanted(dimension))
    if len(unit) > _LONGEST or not _UNIT_TEXT.match(unit) or _HUGE_POWER.search(unit):
        raise unknown
    registry = _registry()
    try:
        parsed = registry.Unit(unit)
        target = registry.Unit(SI[dimension])
    except Exception:  # pint raises many kinds for text that is not a unit
        raise unknown from None
    # To pint an angle has no dimension, and 60 rpm would pass for 6.28 Hz.
    turns = "radian" in str(registry.get_root_units(parsed)[1])
    if parsed.dimensionality != target.dimensionality or turns != (dimension == "angle"):
        raise UnitError(f"[{unit}] is not a unit of {dimension}", _wanted(dimension))
    zero = float(registry.Quantity(0.0, parsed).to(target).magnitude)
    return float(registry.Quantity(1.0, parsed).to(target).magnitude) - zero, zero


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def _wanted(dimension: str) -> str:
    examples = {"temperature": '"21.5 degC"', "length": '"0.3 mm"', "frequency": '"500 Hz"'}
    example = examples.get(dimension, f'"1 {SI[dimension]}"')
    if dimension == "ratio":
        return "write a plain number"
    return f"write a {dimension} such as {example}, or a bare number in {SI[dimension]}"


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 50 else text[:47] + "..."
