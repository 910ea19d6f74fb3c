"""Units against the SI brochure (BIPM, 9th edition, 2019: exact factors) and pint's own tables."""

from __future__ import annotations

import math
import time

import pint
import pytest

from lashwave.quantities.units import _COMMON, SI, UnitError, factor, heading, limit_text, quantity

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
        ("200 tex", "linear density", 2e-4),  # tex is grams a kilometre, ISO 1144
        ("1.5 g/km", "linear density", 1.5e-6),
        ("20000 fps", "frequency", 2e4),  # pictures a second
        ("24000/1001 Hz", "frequency", 23.976023976023978),  # SMPTE ST 2036-1: 24/1.001 Hz
        ("6688.96 Hz", "frequency", 6688.96),
        ("12 px", "pixel", 12.0),
        ("12.5 pixel", "pixel", 12.5),
        ("5 ppm", "ratio", 5e-6),
        ("0.4", "ratio", 0.4),
        ("300 celsius", "temperature", 573.15),
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


@pytest.mark.parametrize(
    "text, dimension, said",
    [
        ("3", "length", "'3' has no unit; write a length such as \"0.3 mm\""),
        ("3 kg", "frequency", '"500 Hz"'),
        ("3 kg", "temperature", '"21.5 degC"'),
        ("3 kg", "force", '"1 N"'),
        ("3 kg", "ratio", "write a plain number"),
        ("3 kg", "length", "[kg] is a unit of mass"),
        ("3 degC", "length", "[degC] is a unit of temperature"),
        ("3 lbf", "length", "[lbf] is not a unit of length"),
        ("3 m^10", "length", "is not known"),
        ("x" * 48, "length", "'" + "x" * 48 + "'"),  # fifty signs are shown whole
        ("x" * 49, "length", "'" + "x" * 46 + "..."),
    ],
)
def test_what_is_wrong_and_what_would_be_right_is_said(text: str, dimension: str, said: str):
    with pytest.raises(UnitError) as fault:
        quantity(text, dimension)
    assert said in str(fault.value)


def test_a_unit_of_more_than_eighty_signs_is_not_parsed() -> None:
    assert quantity("3 " + 39 * "(" + "mm" + 39 * ")", "length") == pytest.approx(3e-3)
    for unit in (40 * "(" + "m" + 40 * ")", 60 * "m*", "m" + 90 * " m"):
        with pytest.raises(UnitError, match="is not known"):
            quantity("3 " + unit, "length")


def test_headings() -> None:
    assert heading(" x [mm] ") == ("x", "mm")
    assert heading("frame") == ("frame", None)
    assert factor("mm", "length") == 1e-3 and factor(None, "length") == 1.0
    for bad in ("x [mm", "x ]mm[", "x [mm] y"):
        with pytest.raises(UnitError):
            heading(bad)
    with pytest.raises(UnitError, match=r"use \[K\]"):
        factor("degC", "temperature")
    assert factor("K", "temperature") == 1.0


@pytest.mark.parametrize(
    "limit, value, text",
    [
        (2.09299765, 2.5, "2.093"),
        (2.09299765, 2.092998, "2.0929977"),
        (2.09299765, 2.09299, "2.093"),
        (0.0, -1e-9, "0"),
        (0.0, 0.0, "0"),
        (1e9, 1e9 + 0.1, "1e+09"),
        (math.inf, 3.0, "inf"),
    ],
)
def test_a_limit_has_as_many_digits_as_part_it_from_the_value(limit, value, text) -> None:
    assert limit_text(limit, value) == text
