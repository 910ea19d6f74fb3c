"""Air and its drag.

Sources: speed of sound, Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, and CoolProp 8.0.0; density,
Picard et al., Metrologia 45 (2008) 149 (CIPM-2007); viscosity, ICAO atmosphere and CoolProp; drag
of cylinders, Wieselsberger 1922, Tritton 1959 as spread of three fits; compressibility, Gowen and
Perkins, NACA TN 2960 (1953). Which of them were read is said at each.
"""

import numpy as np
import pytest

from lashwave.mechanics.air import Medium, density, medium, sound_speed, viscosity
from lashwave.mechanics.drag import mach_rise, normal_coefficient, tangential_coefficient
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from lashwave.quantities.errors import OutOfRangeError
from lashwave.quantities.trial import Air
from tests.published.record import derived, quoted, read, recalled

CRAMER_1993 = quoted("Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, coefficients in public code")
COOLPROP = derived("CoolProp 8.0.0, computed with that library")
CIPM = recalled("Picard et al., Metrologia 45 (2008) 149 (CIPM-2007)")
ICAO = derived("ICAO standard atmosphere, computed with ambiance 1.3.1")
CYLINDER = read("Wieselsberger 1922, Tritton 1959, Jayaweera and Mason 1965: three public fits")
OPEN_FIT = read("AeroSandbox, fit of a cylinder's drag over Mach number")
GOWEN = read("Gowen and Perkins, NACA TN 2960 (1953) (abstract)")
MATSUI = recalled("Matsui, Trans. Soc. Rheol. 20 (1976) 465")
COASTING = derived("quadratic drag at a constant coefficient: V = V0 exp(-k x)")
TERMINAL = derived("weight equals drag at a constant coefficient")

CRAMER = {
    0: (331.448, 331.604, 331.759),
    10: (337.459, 337.781, 338.103),
    20: (343.359, 343.987, 344.613),
    30: (349.148, 350.310, 351.469),
}


@pytest.mark.parametrize("celsius", CRAMER)
def test_speed_of_sound_in_moist_air(check, celsius) -> None:
    found = [sound_speed(Air(celsius + 273.15, 101325.0, rh)) for rh in (0.0, 0.5, 1.0)]
    check("speed of sound", found, CRAMER[celsius], CRAMER_1993, abs=0.02, unit="m/s")


def test_speed_of_sound_agrees_with_an_independent_library_and_slope(check) -> None:
    found = [sound_speed(Air(293.15, 101325.0, humidity)) for humidity in (0.0, 0.5)]
    printed = (343.3439, 343.9630)
    check("speed of sound, dry and moist", found, printed, COOLPROP, abs=0.03, unit="m/s")
    slope = sound_speed(Air(293.65, 101325.0, 0.0)) - sound_speed(Air(292.65, 101325.0, 0.0))
    check("speed of sound per kelvin", slope, 0.585, CRAMER_1993, rel=0.02)
    wet = sound_speed(Air(293.15, 101325.0, 1.0)) - sound_speed(Air(293.15, 101325.0, 0.0))
    check("speed of sound, dry to saturated", wet, 1.25, CRAMER_1993, rel=0.02)


def test_density_and_viscosity(check) -> None:
    found = [density(Air(293.15, 101325.0, humidity)) for humidity in (0.0, 0.5)]
    check("density of dry and moist air", found, (1.204557, 1.199314), CIPM, rel=1e-4)
    check("density, by a library", found, (1.204603, 1.199359), COOLPROP, rel=1e-4)
    check("viscosity at 15 degC", viscosity(288.15), 1.78938e-5, ICAO, rel=1e-4)
    check("viscosity at 20 degC", viscosity(293.15), 1.82057e-5, COOLPROP, rel=5e-3)


@pytest.mark.parametrize("air", [Air(21.0), Air(293.15, 1013.25), Air(293.15, 101325.0, 45.0)])
def test_air_in_the_wrong_unit_is_refused(air) -> None:
    with pytest.raises(OutOfRangeError, match="is not in"):
        medium(air)


@pytest.mark.parametrize(
    "reynolds, low, high",
    [
        (1, 11, 12),
        (10, 2.9, 3.2),
        (100, 1.32, 1.46),
        (1e3, 0.98, 1.10),
        (1e4, 1.02, 1.09),
        (1e5, 1.0, 1.2),
    ],
)
def test_drag_of_a_cylinder(check, reynolds, low, high) -> None:
    found = normal_coefficient(reynolds, 0.0)
    slack = 0.15 if reynolds == 1e5 else 0.1  # of the middle of what the fits span
    name = f"drag of a cylinder across the flow, Re {reynolds:g}"
    check(name, found, 0.5 * (low + high), CYLINDER, rel=slack)


def test_drag_near_the_speed_of_sound(check) -> None:
    # over the 1.2 at low speed that the report's own cylinder has
    found = [mach_rise(1.0)[0], mach_rise(2.9)[0]]
    check(
        "cylinder at M = 1 and 2.9 over low speed", found, [2.1 / 1.2, 1.34 / 1.2], GOWEN, rel=0.1
    )
    at = [0.3, 0.5, 0.8, 0.95, 1, 1.2, 1.5, 2, 2.9]
    fit = [1.05, 1.12, 1.38, 1.64, 1.70, 1.40, 1.29, 1.19, 1.11]
    found = [mach_rise(m)[0] for m in at]
    check("rise of a cylinder's drag with Mach number", found, fit, OPEN_FIT, rel=0.15)


def test_friction_along_a_thread(check) -> None:
    found = [tangential_coefficient(100.0), tangential_coefficient(1000.0)]
    # to its last printed digit; the law itself is good to a factor of 1.5
    check("friction along a thread", found, (0.0223, 0.0055), MATSUI, rel=0.01)


# air so thin in viscosity and so quick in sound that the coefficient is constant, 1.1
CONSTANT = Medium(1.2, 1e-12, 1e12)
LAW = Law(drag_normal=1.1)


def _level(lines):  # type: ignore[no-untyped-def]
    chain = lines.uniform(1.0, 0.02, 0.0, 20)
    chain.diameter[:] = 5e-3
    return chain, lines.straight(chain, (1.0, 0.0, 0.0))


def test_level_cord_falls_at_its_terminal_speed(lines, check) -> None:
    chain, start = _level(lines)
    motion = simulate(chain, None, CONSTANT, (0, 0, -9.80665), LAW, [0, 6], start)
    check("level cord, terminal speed", motion.velocity[-1, :, 2], -7.709, TERMINAL, rel=1e-3)


def test_cord_coasts_across_itself(lines, check) -> None:
    # m dv/dt = -rho Cd d / 2 v^2: V = V0 / (1 + k V0 t), which is V0 exp(-k x)
    chain, start = _level(lines)
    push = np.tile([0.0, 10.0, 0.0], (chain.station.size, 1))
    motion = simulate(chain, None, CONSTANT, (0, 0, 0), LAW, np.linspace(0, 1, 11), start, push)
    k = 1.2 * 1.1 * 5e-3 / (2 * 0.02)
    law = 10 / (1 + k * 10 * motion.time)
    check("cord coasting across itself", motion.velocity[:, 10, 1], law, COASTING, rel=1e-3)
    lost = motion.accounts.kinetic[0] - motion.accounts.kinetic[-1]
    assert motion.accounts.drag_work[-1] == pytest.approx(-lost, rel=1e-4)
