"""Air: density, viscosity and speed of sound from what was measured.

Sources: density CIPM-2007 (Picard et al., Metrologia 45 (2008) 149); speed of sound Cramer,
J. Acoust. Soc. Am. 93 (1993) 2510 (model uncertainty 300 ppm); viscosity Sutherland's law with
the constants of the ICAO atmosphere (Doc 7488), dry air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Air, OutOfRangeError

CARBON_DIOXIDE = 400e-6
"""Mole fraction assumed for outdoor air."""

_CRAMER = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


@dataclass(frozen=True)
class Medium:
    """What the drag law needs of the air."""

    density: float
    """[kg/m3]"""
    viscosity: float
    """Dynamic [Pa s]."""
    sound_speed: float
    """[m/s]"""


def saturation_pressure(temperature: float) -> float:
    """Of water vapour [Pa] at `temperature` [K]; CIPM-2007, its constants of 1981/91."""
    t = temperature
    return float(np.exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t))


def vapour_fraction(air: Air) -> float:
    """Mole fraction of water vapour; CIPM-2007 enhancement factor."""
    celsius = air.temperature - 273.15
    enhancement = 1.00062 + 3.14e-8 * air.pressure + 5.6e-7 * celsius**2
    saturated = saturation_pressure(air.temperature)
    return float(air.relative_humidity * enhancement * saturated / air.pressure)


def density(air: Air) -> float:
    """Of moist air [kg/m3]; CIPM-2007."""
    t, p, x = air.temperature, air.pressure, vapour_fraction(air)
    c = t - 273.15
    compressibility = 1.0 - (p / t) * (
        1.58123e-6 - 2.9331e-8 * c + 1.1043e-10 * c**2 + (5.707e-6 - 2.051e-8 * c) * x
        + (1.9898e-4 - 2.376e-6 * c) * x**2
    ) + (p / t) ** 2 * (1.83e-11 - 0.765e-8 * x**2)  # fmt: skip
    molar = 1e-3 * (28.96546 + 12.011 * (CARBON_DIOXIDE - 0.0004))
    return float(p * molar / (compressibility * 8.314472 * t) * (1.0 - 0.3780 * x))


def viscosity(temperature: float) -> float:
    """Dynamic viscosity of dry air [Pa s] at `temperature` [K]; Sutherland."""
    return float(1.458e-6 * temperature**1.5 / (temperature + 110.4))


def sound_speed(air: Air) -> float:
    """Speed of sound in moist air [m/s]; Cramer 1993, for 0 to 30 degC, near one atmosphere."""
    a = _CRAMER
    t, p, w, co2 = air.temperature - 273.15, air.pressure, vapour_fraction(air), CARBON_DIOXIDE
    return float(
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * w
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * co2
        + a[12] * w**2 + a[13] * p**2 + a[14] * co2**2 + a[15] * w * p * co2
    )  # fmt: skip


def medium(air: Air) -> Medium:
    """The medium of measured air.

    Raises
    ------
    OutOfRangeError : outside -40 to 60 degC, 40 to 120 kPa, or a humidity that is not 0 to 1.
    """
    if not 233.15 <= air.temperature <= 333.15:
        raise OutOfRangeError(f"air temperature {air.temperature:g} K is not in 233-333 K")
    if not 4e4 <= air.pressure <= 1.2e5:
        raise OutOfRangeError(f"air pressure {air.pressure:g} Pa is not in 40-120 kPa")
    if not 0.0 <= air.relative_humidity <= 1.0:
        raise OutOfRangeError(f"relative humidity {air.relative_humidity:g} is not in 0-1")
    return Medium(density(air), viscosity(air.temperature), sound_speed(air))
