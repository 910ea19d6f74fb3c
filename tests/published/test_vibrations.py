"""Small vibrations of hanging chains and beams.

Sources: hanging chain, Bernoulli and Euler (see Hagedorn and DasGupta, Vibrations and Waves in
Continuous Mechanical Systems, 2007); beaded chain, zeros of the Laguerre polynomial (classical);
uniform beams, any textbook; cone and wedge, Kirchhoff 1879, Naguleswaran, J. Sound Vib. 172 (1994)
289; double taper, Mabie and Rogers, J. Acoust. Soc. Am. 51 (1972) 1771, as recomputed with 120
Hermite elements. Swing of a real 1.8 m line: Nah et al., IEEE BioRob 2020, measured 0.45 Hz.
"""

import numpy as np
import pytest
from scipy.special import roots_laguerre

from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from tests.mechanics.vacuum import VACUUM
from tests.published.record import quoted, read, recalled

BESSEL = read("Bernoulli and Euler; Hagedorn and DasGupta, Vibrations and Waves (2007)")
LAGUERRE = recalled("zeros of the Laguerre polynomials (classical)")
BEAMS = recalled("uniform beams, any textbook of vibrations")
POINTED = recalled("Kirchhoff 1879; Naguleswaran, J. Sound Vib. 172 (1994) 289")
MABIE = quoted("Mabie and Rogers, J. Acoust. Soc. Am. 51 (1972) 1771, recomputed with 120 elements")
NAH = read("Nah et al., IEEE BioRob 2020 (measured on a 1.8 m line)")

G = 9.80665
DOWN, ALONG = (0.0, 0.0, -1.0), (1.0, 0.0, 0.0)


def test_hanging_chain_swings_at_the_zeros_of_bessel(lines, check) -> None:
    chain = lines.uniform(1.0, 0.1, 0.0, 120)
    found = lines.frequencies(
        chain, lines.straight(chain), lines.still(DOWN), (0, 0, -G), count=4
    ) / np.sqrt(G)
    printed = [1.202413, 2.760039, 4.326864, 5.895767]
    check("hanging chain, four frequencies", found, printed, BESSEL, rel=1e-3)


@pytest.mark.parametrize("beads, printed", [(10, 1.173855), (50, 1.196464), (100, 1.199423)])
def test_beads_on_a_massless_chain_swing_at_the_zeros_of_laguerre(
    lines, check, beads, printed
) -> None:
    chain = lines.uniform(1.0, 0.1, 0.0, beads)
    chain.link_mass[:] = [0.0, 0.0, 0.1 / beads]
    found = lines.frequencies(chain, lines.straight(chain), lines.still(DOWN), (0, 0, -G), count=3)
    check("beads on a string, lowest frequency", found[0] / np.sqrt(G), printed, LAGUERRE, rel=1e-6)
    roots = np.sqrt(beads * G * roots_laguerre(beads)[0][:3])
    check("beads on a string, three frequencies", found, roots, LAGUERRE, rel=1e-6)


def test_uniform_cantilever(lines, check) -> None:
    chain = lines.uniform(1.0, 0.1, 1e-2, 100, clamp=True)
    found = lines.frequencies(
        chain, lines.straight(chain, ALONG), lines.still(ALONG), (0, 0, 0), count=3
    )
    unit = np.sqrt(1e-2 / 0.1)
    printed = [3.516015, 22.034492, 61.697214]
    check("uniform cantilever, three frequencies", found / unit, printed, BEAMS, rel=2e-3)


def test_free_free_beam(lines, check) -> None:
    chain = lines.uniform(1.0, 0.1, 1e-2, 100)
    found = lines.frequencies(chain, lines.straight(chain, ALONG), None, (0, 0, 0), count=3)
    unit = np.sqrt(1e-2 / 0.1)
    printed = [4.730041, 7.853205, 10.995608]
    check("free beam, three wavenumbers", np.sqrt(found / unit), printed, BEAMS, rel=2e-3)


@pytest.mark.parametrize(
    "power, printed",
    [(2, [8.719259, 21.145662, 38.453771]), (1, [5.315099, 15.207168, 30.019809])],
    ids=["cone", "wedge"],
)
def test_cantilever_that_ends_in_a_point(lines, check, power, printed) -> None:
    chain = lines.tapered(
        1.0, lambda x: 0.1 * (1 - x) ** power, lambda x: 1e-2 * (1 - x) ** (power + 2), 150, True
    )
    found = lines.frequencies(
        chain, lines.straight(chain, ALONG), lines.still(ALONG), (0, 0, 0), count=3
    )
    check("cone and wedge, three frequencies", found / np.sqrt(0.1), printed, POINTED, rel=5e-3)


@pytest.mark.parametrize(
    "width, printed",
    [
        (4, [23.2923, 73.9188, 165.285, 299.780, 478.180]),
        (5, [24.3112, 75.5779, 167.252, 301.934, 480.459]),
    ],
)
def test_double_tapered_cantilever(lines, check, width, printed) -> None:
    def high(x):  # type: ignore[no-untyped-def]
        return 4 - 3 * x

    def wide(x):  # type: ignore[no-untyped-def]
        return width - (width - 1) * x

    chain = lines.tapered(
        1.0, lambda x: high(x) * wide(x), lambda x: high(x) ** 3 * wide(x) / 12, 150, True
    )
    found = lines.frequencies(
        chain, lines.straight(chain, ALONG), lines.still(ALONG), (0, 0, 0), count=5
    )
    # omega L^2 = lambda h1 sqrt(E / (12 rho)), with rho = E = 1 here and B = E b h^3 / 12
    check("double taper, five frequencies", found * np.sqrt(12), printed, MABIE, rel=5e-3)


def _rate(time, signal):  # type: ignore[no-untyped-def]
    """Frequency from the zero crossings, first to last."""
    up = np.flatnonzero(signal[:-1] * signal[1:] < 0)
    at = time[up] - signal[up] * (time[up + 1] - time[up]) / (signal[up + 1] - signal[up])
    return 0.5 * (at.size - 1) / (at[-1] - at[0])


def test_a_simulated_cantilever_rings_at_its_frequency(lines, check) -> None:
    chain = lines.uniform(1.0, 0.1, 1e-2, 30, clamp=True)
    x = chain.station
    shape = 1e-3 * (6 * x**2 - 4 * x**3 + x**4)  # within 2 % of the first mode
    start = np.stack([x, 0 * x, shape], axis=1)
    time = np.linspace(0, 30, 3001)
    run = simulate(
        chain, lines.still(ALONG), VACUUM, (0, 0, 0), Law(damping_time=1e-2), time, start
    )
    late = time > 8  # the higher modes are damped away by then
    found = _rate(time[late], run.position[late, -1, 2])
    printed = 3.516015 * np.sqrt(0.1) / (2 * np.pi)
    check("simulated cantilever, frequency", found, printed, BEAMS, rel=4e-3)


def test_a_real_line_swings_as_measured(lines, check) -> None:
    chain = lines.uniform(1.8, 0.3, 0.242 * 0.072, 25)
    z = -chain.station
    start = np.stack([-0.2 * z / 1.8, 0 * z, z], axis=1)
    time = np.linspace(0, 20, 4001)
    run = simulate(
        chain, lines.still(DOWN), VACUUM, (0, 0, -G), Law(damping_time=1e-2), time, start
    )
    late = time > 6
    found = _rate(time[late], run.position[late, -1, 0])
    check("real 1.8 m line, swing [Hz]", found, 0.45, NAH, rel=0.02)
