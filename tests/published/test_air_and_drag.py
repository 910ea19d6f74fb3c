"""Air and its drag.

Sources: speed of sound, Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, and CoolProp 8.0.0; density,
Picard et al., Metrologia 45 (2008) 149 (CIPM-2007); viscosity, ICAO atmosphere and CoolProp; drag
of cylinders, Wieselsberger 1922, Tritton 1959 as spread of three fits; compressibility, Gowen and
Perkins, NACA TN 2960 (1953).
"""

import numpy as np
import pytest

from lashwave.mechanics.air import Medium, density, medium, sound_speed, viscosity
from lashwave.mechanics.drag import mach_factor, normal_coefficient, tangential_coefficient
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulate import simulate
from lashwave.quantities.air import Air
from lashwave.quantities.errors import OutOfRangeError

CRAMER = {
    0: (331.448, 331.604, 331.759),
    10: (337.459, 337.781, 338.103),
    20: (343.359, 343.987, 344.613),
    30: (349.148, 350.310, 351.469),
}


@pytest.mark.parametrize("celsius", CRAMER)
def test_speed_of_sound_in_moist_air(celsius) -> None:
    found = [sound_speed(Air(celsius + 273.15, 101325.0, rh)) for rh in (0.0, 0.5, 1.0)]
    assert found == pytest.approx(CRAMER[celsius], abs=0.02)
    # ISO 9613-1's dry form; Cramer's model is good to 300 ppm, the dry forms differ by as much
    assert found[0] == pytest.approx(343.2 * np.sqrt((celsius + 273.15) / 293.15), abs=0.2)


def test_speed_of_sound_agrees_with_an_independent_library_and_slope() -> None:
    assert sound_speed(Air(293.15, 101325.0, 0.0)) == pytest.approx(343.3439, abs=0.03)
    assert sound_speed(Air(293.15, 101325.0, 0.5)) == pytest.approx(343.9630, abs=0.03)
    slope = sound_speed(Air(293.65, 101325.0, 0.0)) - sound_speed(Air(292.65, 101325.0, 0.0))
    assert slope == pytest.approx(0.585, rel=0.02)
    wet = sound_speed(Air(293.15, 101325.0, 1.0)) - sound_speed(Air(293.15, 101325.0, 0.0))
    assert wet == pytest.approx(1.25, rel=0.02)


def test_density_and_viscosity() -> None:
    assert density(Air(293.15, 101325.0, 0.0)) == pytest.approx(1.204557, rel=1e-4)
    assert density(Air(293.15, 101325.0, 0.5)) == pytest.approx(1.199314, rel=1e-4)
    assert viscosity(288.15) == pytest.approx(1.78938e-5, rel=1e-4)
    assert viscosity(293.15) == pytest.approx(1.82057e-5, rel=5e-3)


@pytest.mark.parametrize("air", [Air(21.0), Air(293.15, 1013.25), Air(293.15, 101325.0, 45.0)])
def test_air_in_the_wrong_unit_is_refused(air) -> None:
    with pytest.raises(OutOfRangeError, match="is not in"):
        medium(air)


@pytest.mark.parametrize(
    "reynolds, low, high, slack",
    [
        (1, 11, 12, 0.1),
        (10, 2.9, 3.2, 0.1),
        (100, 1.32, 1.46, 0.1),
        (1e3, 0.98, 1.10, 0.1),
        (1e4, 1.02, 1.09, 0.1),
        (1e5, 1.0, 1.2, 0.15),
    ],
)
def test_drag_of_a_cylinder(reynolds, low, high, slack) -> None:
    found = normal_coefficient(reynolds, 0.0)
    assert low * (1 - slack) <= found <= high * (1 + slack)


def test_drag_near_the_speed_of_sound() -> None:
    assert 1.2 * mach_factor(1.0) == pytest.approx(2.1, rel=0.1)
    assert 1.2 * mach_factor(2.9) == pytest.approx(1.34, rel=0.1)
    at = [0.3, 0.5, 0.8, 0.95, 1, 1.2, 1.5, 2, 2.9]
    fit = [1.05, 1.12, 1.38, 1.64, 1.70, 1.40, 1.29, 1.19, 1.11]
    assert [mach_factor(m) for m in at] == pytest.approx(fit, rel=0.15)


def test_friction_along_a_thread() -> None:
    # Matsui, Trans. Soc. Rheol. 20 (1976) 465, good to a factor of 1.5
    assert tangential_coefficient(100.0) == pytest.approx(0.0223, rel=0.01)
    assert tangential_coefficient(1000.0) == pytest.approx(0.0055, rel=0.01)


# air so thin in viscosity and so quick in sound that the coefficient is constant, 1.1
CONSTANT = Medium(1.2, 1e-12, 1e12)
LAW = Law(drag_normal=1.1)


def _level(lines):  # type: ignore[no-untyped-def]
    chain = lines.uniform(1.0, 0.02, 0.0, 20)
    chain.diameter[:] = 5e-3
    return chain, lines.straight(chain, (1.0, 0.0, 0.0))


def test_level_cord_falls_at_its_terminal_speed(lines) -> None:
    chain, start = _level(lines)
    motion = simulate(chain, None, CONSTANT, (0, 0, -9.80665), LAW, [0, 6], start)
    assert motion.velocity[-1, :, 2] == pytest.approx(-7.709, rel=1e-3)


def test_cord_coasts_across_itself(lines) -> None:
    # m dv/dt = -rho Cd d / 2 v^2: V = V0 / (1 + k V0 t), which is V0 exp(-k x)
    chain, start = _level(lines)
    push = np.tile([0.0, 10.0, 0.0], (chain.station.size, 1))
    motion = simulate(chain, None, CONSTANT, (0, 0, 0), LAW, np.linspace(0, 1, 11), start, push)
    k = 1.2 * 1.1 * 5e-3 / (2 * 0.02)
    assert motion.velocity[:, 10, 1] == pytest.approx(10 / (1 + k * 10 * motion.time), rel=1e-3)
    lost = motion.accounts.kinetic[0] - motion.accounts.kinetic[-1]
    assert motion.accounts.drag_work[-1] == pytest.approx(-lost, rel=1e-4)
