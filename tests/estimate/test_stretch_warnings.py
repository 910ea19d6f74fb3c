"""What a fitted pull says of a line that is taken as unstretchable."""

import numpy as np
import pytest

from lashwave.estimate.diagnosis import stretch_warnings
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.line import Line

STATION = np.array([0.0, 0.2, 1.2, 2.2])
TIME = np.linspace(0.0, 1.0, 501)


def line(axial):
    return Line(
        np.array([0.0, 2.2]), np.full(2, 5e-3), np.full(2, 0.02),
        axial_stiffness=None if axial is None else np.full(2, axial), handle_length=0.2,
    )  # fmt: skip


def test_the_stretch_is_the_pull_over_the_stiffness():
    """10 N on 2 m of 1e4 N: 2 mm (Hooke); the grip does not stretch; a blow of 50 N for 2 ms."""
    pull = np.tile([np.nan, 10.0, 10.0], (501, 1))
    pull[100:102, 1:] = 50.0
    (text,) = stretch_warnings(line(1e4), STATION, TIME, pull)
    assert "by 2 mm (10 mm at the hardest moment)" in text
    assert stretch_warnings(line(None), STATION, TIME, pull) == ()


def test_a_line_that_a_lasting_pull_makes_a_hundredth_longer_is_refused():
    pull = np.tile([np.nan, 10.0, 10.0], (501, 1))
    assert stretch_warnings(line(1010.0), STATION, TIME, pull)
    with pytest.raises(NotConvergedError, match="20 mm"):
        stretch_warnings(line(990.0), STATION, TIME, pull)
