"""Shapes at rest.

Sources: catenary, textbook; end-loaded elastica, Bisshopp and Drucker, Q. Appl. Math. 3 (1945) 272,
table computed by elliptic integrals; heavy elastica, computed by a boundary-value solver to 1e-9;
droop test at 41.5 deg, ASTM D1388 option A (c = l / 2), exact q = 8.00420.
"""

import numpy as np
import pytest

from lashwave.mechanics.grip import fixed
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.simulation import simulate
from lashwave.mechanics.stiffness_sources import droop_curve, known_stiffness, weight_number
from lashwave.quantities.line import Droop, Line
from lashwave.quantities.stiffness import Source
from tests.mechanics.vacuum import VACUUM
from tests.published.record import derived, recalled

CATENARY = recalled("catenary, any textbook of mechanics")
BISSHOPP = recalled("Bisshopp and Drucker, Q. Appl. Math. 3 (1945) 272, by elliptic integrals")
HEAVY_LINE = derived("elastica under its own weight, boundary-value solver to 1e-9")
D1388 = derived("ASTM D1388 option A (41.5 deg, c = l / 2), exact elastica")

G = 9.80665
ALONG = (1.0, 0.0, 0.0)


def test_catenary(lines, check) -> None:
    chain = lines.uniform(1.2, 0.1, 0.0, 120)
    grip, far = fixed(np.zeros(3), [1, 0, 0]), fixed([1.0, 0, 0], [1, 0, 0])
    shape = rest_shape(chain, grip, (0, 0, -G), far=far)
    assert shape[-1] == pytest.approx([1, 0, 0], abs=1e-8)
    check("catenary, sag", -shape[:, 2].min(), 0.29234380, CATENARY, abs=1e-4, unit="m")
    a = 0.46954152
    x = shape[:, 0] - 0.5
    curve = a * np.cosh(x / a) - a * np.cosh(0.5 / a)
    check("catenary, shape", shape[:, 2], curve, CATENARY, abs=1e-4, unit="m")
    still = simulate(chain, grip, VACUUM, (0, 0, -G), None, [0, 1e-3], shape, far=far)
    pull = np.linalg.norm(still.hand_force[0]) / still.tension[0, [59, 60]].mean()
    check("catenary, pull at the end over the middle's", pull, 1.622615, CATENARY, rel=1e-4)


@pytest.mark.parametrize(
    "load, drop, reach",
    [
        (0.25, 0.082746, 0.995882),
        (0.5, 0.162144, 0.984081),
        (1, 0.301721, 0.943567),
        (2, 0.493457, 0.839358),
        (3, 0.603253, 0.745580),
        (5, 0.713792, 0.612372),
        (10, 0.810609, 0.445004),
    ],
)
def test_end_loaded_elastica(lines, check, load, drop, reach) -> None:
    chain = lines.uniform(1.0, 0.1, 1e-2, 40, clamp=True)
    chain.link_mass[:] = 0.0
    chain.link_mass[-1, 2] = load * 1e-2 / G
    tip = rest_shape(chain, lines.still(ALONG), (0, 0, -G))[-1]
    check(
        "end-loaded elastica, drop and reach", (-tip[2], tip[0]), (drop, reach), BISSHOPP, abs=1e-3
    )


HEAVY = [
    (0.5, 0.062306, 0.997779, 4.7634),
    (1, 0.123471, 0.991246, 9.4604),
    (2, 0.238507, 0.966893, 18.4260),
    (4, 0.425159, 0.890111, 33.7239),
    (8, 0.640631, 0.724425, 53.8650),
    (20, 0.829881, 0.445232, 76.7478),
]


@pytest.mark.parametrize("q, drop, reach, angle", HEAVY)
def test_heavy_elastica(lines, check, q, drop, reach, angle) -> None:
    chain = lines.uniform(1.0, q * 1e-2 / G, 1e-2, 80, clamp=True)
    tip = rest_shape(chain, lines.still(ALONG), (0, 0, -G))[-1]
    check("heavy elastica, drop and reach", (-tip[2], tip[0]), (drop, reach), HEAVY_LINE, abs=1e-3)
    found = droop_curve(q)
    half_a_digit = 6e-7
    check("droop curve, drop and reach", found[:2], (drop, reach), HEAVY_LINE, abs=half_a_digit)
    check("droop curve, tip angle", np.degrees(found[2]), angle, HEAVY_LINE, abs=6e-5, unit="deg")


def test_droop_angle_of_the_standard_gives_its_exact_number(check) -> None:
    found = weight_number(angle=np.radians(41.5))[0]
    check("droop at 41.5 deg, q = w l^3 / B", found, 8.00420, D1388, abs=1e-5)
    # the standard's own formula, B = w (l / 2)^3, is then right to 0.05 %
    check("droop at 41.5 deg, B over w l^3", 1 / found, 1 / 8, D1388, rel=6e-4)


def test_stiffness_comes_back_from_the_droop_of_a_simulated_piece(lines, check) -> None:
    overhang, density, stiffness = 0.08, 5e-3, 4e-6
    chain = lines.uniform(overhang, density * overhang, stiffness, 120, clamp=True)
    tip = rest_shape(chain, lines.still(ALONG), (0, 0, -G))[-1]
    s = np.array([0.0, 2.0])
    droop = Droop(1.2, overhang, float(-tip[2]), None, 1e-3)
    line = Line(s, np.full(2, 2e-3), np.full(2, density), droops=(droop,))
    known = known_stiffness(line)
    check("stiffness from a simulated droop", known.value, stiffness, HEAVY_LINE, rel=5e-3)
    assert known.source is Source.DROOP and known.tests == 1
    assert known.log_sd > 1e-3 / -tip[2]
