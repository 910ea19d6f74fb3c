"""Ranges of a throw's inputs from TOML: units, spreads, and faults with their place."""

from __future__ import annotations

from pathlib import Path

import pytest

from lashwave.files import read_ranges
from lashwave.quantities import InputError
from lashwave.study import throw_family

DIMENSIONS = throw_family.DIMENSIONS


def written(folder: Path, text: str) -> Path:
    path = folder / "throw.toml"
    path.write_text(text)
    return path


def test_values_ranges_and_spreads(tmp_path: Path) -> None:
    text = (
        'length = "180 cm"\nstiffness = "0.05 m^4/s^2"\ncord_density = "0.9 g/cm^3"\ntaper = 1.2\n'
        'mass = {value = "90 g", sd = "2 g"}\n[time]\nlow = "200 ms"\nhigh = "0.25 s"\n'
    )
    found = read_ranges(written(tmp_path, text), DIMENSIONS)
    assert found["length"] == (1.8, 1.8) and found["time"] == (0.2, 0.25)
    assert found["cord_density"] == (900.0, 900.0) and found["taper"] == (1.2, 1.2)
    low, high = found["mass"]
    assert (low + high) / 2 == pytest.approx(0.09)
    assert (high - low) / 12**0.5 == pytest.approx(2e-3)  # the sd of an even spread


@pytest.mark.parametrize(
    "text, told",
    [
        ('lenght = "2 m"', "line 1, lenght: is not a known field; did you mean 'length'?"),
        ('length = "2 kg"', "line 1, length"),
        ('a = 1', "is not a known field"),
        ('[mass]\nlow = "90 g"\nhigh = "80 g"', "line 2, mass.low: 0.09 is above high, 0.08"),
        ('mass = {low = "90 g"}', "mass.high: is missing"),
        ('mass = {value = "90 g", spread = "1 g"}', "mass.spread: is not a known field"),
        ("length = [", "throw.toml"),
    ],
)  # fmt: skip
def test_a_fault_says_where_it_stands(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        read_ranges(written(tmp_path, text), DIMENSIONS)
    assert told in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_ranges(tmp_path / "none.toml", DIMENSIONS)
