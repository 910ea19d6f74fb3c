"""Overpressure behind a shock from its speed, and when that speed is known well enough.

Rankine-Hugoniot, ratio of specific heats 1.4 (NACA Report 1135, 1953): dp / p =
(7/6) (M^2 - 1). For weak shocks dp hangs on the difference of two nearly equal speeds: 1 m/s of
error is 689 Pa at M = 1 in air at 20 degC.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lashwave.quantities import Array

MEANINGFUL = 3.0
"""An overpressure says something where it is this many times its standard deviation."""


def overpressure(mach: ArrayLike, pressure: float) -> Array:
    """Rise of pressure [Pa] across a shock of Mach number (...,) into gas at `pressure` [Pa]."""
    return np.asarray(7.0 / 6.0 * (np.asarray(mach, dtype=float) ** 2 - 1.0) * pressure)


@dataclass(frozen=True)
class Overpressure:
    """What a front's speed says of the pressure behind it."""

    value: float | None
    """[Pa]; None where the speed does not determine it."""
    sd: float
    """[Pa]"""
    reason: str | None = None
    """Why there is no value."""


def overpressure_of_speed(
    speed: float, speed_sd: float, sound: float, sound_sd: float, pressure: float
) -> Overpressure:
    """Overpressure of a front that runs at `speed` [m/s] into still air, if it is determined.

    Parameters
    ----------
    sound : speed of sound ahead of the front [m/s]; pressure : ahead of it [Pa].
    """
    mach = speed / sound
    slope = 7.0 / 3.0 * pressure * mach / sound  # Pa per m/s
    sd = float(slope * np.hypot(speed_sd, mach * sound_sd))
    value = float(overpressure(mach, pressure))
    if value >= MEANINGFUL * sd:
        return Overpressure(value, sd)
    reason = (
        f"the front's speed is known to {np.hypot(speed_sd, mach * sound_sd):.2g} m/s against "
        f"that of sound, and 1 m/s is {slope:.0f} Pa: only a rise of over {MEANINGFUL * sd:.0f} Pa "
        "would show"
    )
    return Overpressure(None, sd, reason)
