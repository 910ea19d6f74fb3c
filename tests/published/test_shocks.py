"""Shock fronts: pressure, speed, angle, level.

Sources: normal shock and Mach angle, NACA Report 1135 (1953), ratio of specific heats 1.4; weak
shocks, Rankine and Hugoniot, Whitham, Linear and Nonlinear Waves (1974); level, its definition,
re 20 uPa.
"""

import numpy as np
import pytest

from lashwave.emission.cone import mach_angle
from lashwave.mechanics.shock import overpressure, overpressure_of_speed
from lashwave.points.clock_sound.onsets import sound_level
from tests.published.record import derived, quoted

NACA_1135 = quoted("NACA Report 1135 (1953)")
HUGONIOT = derived("Rankine and Hugoniot, dp / p = (7 / 6) (M^2 - 1)")
LEVEL = derived("definition, 20 lg (p / 20 uPa)")
ATMOSPHERE = 101325.0


def test_pressure_across_a_normal_shock(check) -> None:
    mach = [1.05, 1.1, 1.5, 2.0, 2.19, 3.0]
    printed = [1.11958, 1.24500, 2.45833, 4.5, 5.42878, 10.3333]
    found = 1.0 + overpressure(mach, 1.0)
    check("normal shock, pressure ratio", found, printed, NACA_1135, rel=1e-5)


def test_mach_number_of_weak_shocks(check) -> None:
    excess = np.array([8.4558e-4, 4.2208e-3, 2.0929e-2])
    rise = overpressure(1.0 + excess, ATMOSPHERE)
    check("weak shocks, rise of pressure", rise, [200.0, 1000.0, 5000.0], HUGONIOT, rel=1e-4)


def test_a_metre_a_second_is_689_pa(check) -> None:
    weak = overpressure_of_speed(344.0, 1.0, 343.2, 0.0, ATMOSPHERE)
    slope = weak.sd * 343.2 / 344.0
    check("overpressure for 1 m/s of speed, M = 1", slope, 689.0, HUGONIOT, rel=1e-3)
    assert weak.value is None and weak.reason is not None and "690 Pa" in weak.reason
    strong = overpressure_of_speed(1.1 * 343.2, 1.0, 343.2, 0.3, ATMOSPHERE)
    assert strong.value is not None
    check("overpressure at M = 1.1", strong.value / ATMOSPHERE, 0.245, NACA_1135, rel=1e-4)


def test_levels(check) -> None:
    found = sound_level([112.0, 140.0, 200.0, 1000.0])
    printed = [134.96, 136.90, 140.00, 153.98]
    check("peak level", found, printed, LEVEL, abs=0.01, unit="dB")
    found = sound_level(overpressure(np.array([1.05, 1.1]), ATMOSPHERE))
    check("peak level behind a shock", found, [175.65, 181.88], LEVEL, abs=0.01, unit="dB")


@pytest.mark.parametrize("mach, angle", [(1.1, 65.380), (1.5, 41.810), (2.0, 30.0), (2.19, 27.169)])
def test_mach_angle(check, mach, angle) -> None:
    # points of the two flanks that a body at this Mach number would draw, running along x
    slope = np.tan(np.radians(angle))
    back = np.linspace(20.0, 400.0, 60)
    flank = np.stack([-back, slope * back], axis=1)
    found = mach_angle(flank, np.full(60, 0.1), np.array([1.0, 0.0]))
    check("Mach angle", np.degrees(found.angle), angle, NACA_1135, abs=0.01, unit="deg")
    check("Mach number from the angle", found.mach, mach, NACA_1135, rel=1e-4)
