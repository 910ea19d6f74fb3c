"""Outside the range in which drag was measured, the answer says so; inside it says nothing."""

import numpy as np
import pytest

from lashwave.mechanics.drag import range_warnings

# Air at 15 degrees C, ICAO standard atmosphere (kinematic viscosity 1.46e-5 m2/s).
AIR = (1.225, 1.789e-5, 340.3)


def said(speed: float, diameter: float) -> str:
    time = np.array([0.1, 0.2, 0.3])
    across = np.array([[1.0], [speed], [1.0]])
    return " ".join(range_warnings(time, across, np.array([diameter]), *AIR))


@pytest.mark.parametrize(
    ("speed", "diameter", "word"),
    [
        (340.0, 1e-3, "was measured from"),  # a tip: Re 2e4
        (340.3 * 2.95, 0.1, "taken as constant beyond"),
        (20.0, 0.2, "falls to a third"),  # Re 2.7e5
    ],
)
def test_outside_the_range_it_is_said(speed: float, diameter: float, word: str) -> None:
    assert word in said(speed, diameter)
    assert said(speed, diameter).count("0.2000 s") == ("third" not in word)


@pytest.mark.parametrize(("speed", "diameter"), [(100.0, 1e-3), (340.0, 4e-3), (10.0, 0.1)])
def test_inside_the_range_nothing_is_said(speed: float, diameter: float) -> None:
    assert said(speed, diameter) == ""
