"""Units against the SI brochure (BIPM, 9th edition, 2019: exact factors) and pint's own tables."""

from __future__ import annotations

import math
import time

import pint
import pytest

from lashwave.quantities.units import _COMMON, SI, UnitError, factor, heading, quantity

ROUNDING = 1e-14
"""Two products of doubles."""


@pytest.mark.parametrize(
    "text, dimension, value",
    [
        ("0.3 mm", "length", 3e-4),
        ("2 in", "length", 0.0508),  # 25.4 mm exactly, SI brochure's companion NIST SP 811
        ("21.5 degC", "temperature", 294.65),  # 0 degC is 273.15 K, SI brochure 2.3.1
        ("50 degF", "temperature", 283.15),
        ("20 kHz", "frequency", 2e4),
        ("1.2 N*m^2", "bending stiffness", 1.2),
        ("3 N cm^2", "bending stiffness", 3e-4),
        ("1013.25 mbar", "pressure", 101325.0),
        ("1 atm", "pressure", 101325.0),
        ("41.5 deg", "angle", 41.5 * math.pi / 180),
        ("3.9 mV/Pa", "sensitivity", 3.9e-3),
        ("45 %", "ratio", 0.45),
        ("-2 ms", "time", -2e-3),
        ("1 ft", "length", 0.3048),
        (0.2, "length", 0.2),
        (3, "mass", 3.0),
        ("5e-1 us", "time", 5e-7),
    ],
)
def test_quantities(text: object, dimension: str, value: float) -> None:
    assert quantity(text, dimension) == pytest.approx(value, rel=ROUNDING)


def test_the_quick_table_agrees_with_pint() -> None:
    registry = pint.UnitRegistry()
    own_names = {"fps", "1", "%", "ppm", "px", "pixel", "tex"}
    for dimension, table in _COMMON.items():
        for unit, scale in table.items():
            if unit not in own_names:
                theirs = registry.Quantity(1.0, unit).to(SI[dimension]).magnitude
                assert scale == pytest.approx(theirs, rel=ROUNDING), unit


@pytest.mark.parametrize(
    "text, dimension",
    [
        ("21 m", "temperature"), ("3", "length"), ("mm", "length"), ("3 mm 4", "length"),
        ("60 rpm", "frequency"), ("3 rad/s", "frequency"), (True, "length"), (None, "length"),
        (math.nan, "length"), (10**400, "length"), ("1e999 m", "length"), ("3 m**999999", "length"),
        ("3 __class__", "length"), ("3 " + "m*" * 500, "length"), ([1], "length"),
        ("١ m", "length"),
    ],
)  # fmt: skip
def test_what_is_no_quantity_is_refused_at_once(text: object, dimension: str) -> None:
    begin = time.process_time()
    with pytest.raises(UnitError):
        quantity(text, dimension)
    assert time.process_time() - begin < 5.0


def test_headings() -> None:
    assert heading(" x [mm] ") == ("x", "mm")
    assert heading("frame") == ("frame", None)
    assert factor("mm", "length") == 1e-3 and factor(None, "length") == 1.0
    for bad in ("x [mm", "x ]mm[", "x [mm] y"):
        with pytest.raises(UnitError):
            heading(bad)
    with pytest.raises(UnitError):
        factor("degC", "temperature")
