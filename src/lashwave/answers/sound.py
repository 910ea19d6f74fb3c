"""How fast is sound in this air, and how well is that known?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lashwave.mechanics.air import medium
from lashwave.quantities.air import Air
from lashwave.quantities.answer import Answer

Array = NDArray[np.float64]

MODEL = 300e-6
"""Relative uncertainty of the speed's formula; Cramer, J. Acoust. Soc. Am. 93 (1993) 2510."""
TEMPERATURE_SD = 0.4 / np.sqrt(3.0)
"""[K]; a class B sensor is right within 0.4 K at 20 degC (IEC 60751), evenly spread (GUM 4.3.7).
The trial's description states no deviation of its air."""
HUMIDITY_SD = 0.05 / np.sqrt(3.0)
"""[1]; a capacitive sensor is right within about 5 % relative humidity, evenly spread."""


def speed(air: Air) -> tuple[float, float]:
    """Speed of sound and its standard deviation [m/s]."""
    middle = medium(air).sound_speed
    warmer = medium(Air(air.temperature + 0.1, air.pressure, air.relative_humidity)).sound_speed
    change = 0.01 if air.relative_humidity < 0.5 else -0.01
    damp = air.relative_humidity + change
    moister = medium(Air(air.temperature, air.pressure, damp)).sound_speed
    by_humidity = (moister - middle) / change
    by_temperature = (warmer - middle) / 0.1
    sd = np.hypot(
        np.hypot(by_temperature * TEMPERATURE_SD, by_humidity * HUMIDITY_SD), MODEL * middle
    )
    return float(middle), float(sd)


def draws(middle: float, sd: float, count: int) -> Array:
    """(count,) [m/s], evenly spread normal values in a fixed, shuffled order."""
    place = (np.arange(count) + 0.5) / count
    order = np.random.default_rng(1993).permutation(count)
    return np.asarray(middle + sd * ndtri(place)[order])


def answer(middle: float, sd: float) -> Answer:
    """`speed_of_sound`."""
    half = 1.959964 * sd
    return Answer(middle, "m s-1", sd, middle - half, middle + half)
