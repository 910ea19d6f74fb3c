"""The speed of sound and its uncertainty against printed values."""

import numpy as np
import pytest

from lashwave.answers import sound_in_air
from lashwave.quantities.trial import Air
from tests.published.record import quoted

CRAMER_1993 = quoted("Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, coefficients in public code")

# Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, its formula at 101325 Pa and 400 ppm carbon dioxide:
# temperature [degC], relative humidity, speed [m/s].
CRAMER = [
    (0, 0.0, 331.448), (10, 0.5, 337.781), (20, 0.0, 343.359), (20, 0.5, 343.987),
    (20, 1.0, 344.613), (30, 0.5, 350.310),
]  # fmt: skip


@pytest.mark.parametrize("celsius, humidity, printed", CRAMER)
def test_the_value_is_the_published_one(check, celsius, humidity, printed):
    middle, _ = sound_in_air.speed(Air(celsius + 273.15, 101325.0, humidity))
    check("answered speed of sound", middle, printed, CRAMER_1993, abs=0.02, unit="m/s")


def test_the_deviation_follows_from_the_published_sensitivity():
    # From the rows above: 0.626 m/s/K at a relative humidity of 50 % (350.310 less 337.781 over
    # 20 K), 1.25 m/s from dry to saturated at 20 degC; the formula itself is good to 300 ppm.
    # A class B sensor is right within 0.4 K (IEC 60751 at 20 degC), a capacitive one within 5 %;
    # evenly spread (GUM 4.3.7), a deviation of that over the root of three.
    middle, sd = sound_in_air.speed(Air())
    parts = (0.6265 * 0.4 / np.sqrt(3), 1.25 * 0.05 / np.sqrt(3), 300e-6 * middle)
    assert sd == pytest.approx(np.sqrt(np.square(parts).sum()), rel=0.02)


def test_draws_have_the_stated_middle_and_deviation_and_repeat():
    drawn = sound_in_air.draws(343.2, 0.2, 400)
    assert drawn.mean() == pytest.approx(343.2, abs=1e-6)
    assert drawn.std() == pytest.approx(0.2, rel=0.01)  # the ends of 400 strata hold 0.5 % of it
    assert (drawn == sound_in_air.draws(343.2, 0.2, 400)).all()
    assert abs(np.corrcoef(drawn[1:], drawn[:-1])[0, 1]) < 0.2  # shuffled, not sorted
