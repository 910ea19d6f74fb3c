"""Short laws by their formulas: falling chains, moist air, scales, slopes of drag, node spacing."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics.air import saturation_pressure, vapour_fraction
from lashwave.mechanics.chain import stations
from lashwave.mechanics.drag import mach_rise
from lashwave.mechanics.falling_chain import fall_time
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.law import Law
from lashwave.mechanics.rest import rest_shape
from lashwave.quantities.line import Line
from lashwave.quantities.trial import Air
from tests.mechanics.test_rest_shapes import chain_of


def test_a_fold_that_keeps_energy_or_none() -> None:
    """v^2 = 2 g x (1 - u / 2) / (1 - u) and 2 g x (Calkin and March 1989); dt = dx / v."""
    x = np.array([0.1, 0.5, 0.9, 1.6])
    u = x / 2.0
    for share in (0.0, 0.4, 1.0):
        slope = (fall_time(x + 1e-6, 2.0, 9.8, share) - fall_time(x - 1e-6, 2.0, 9.8, share)) / 2e-6
        square = 2 * 9.8 * x * (1 - u + 0.5 * share * u) / (1 - u)
        np.testing.assert_allclose(slope, square**-0.5, rtol=1e-6)


def test_vapour_by_the_enhancement_factor() -> None:
    """CIPM-2007: f = 1.00062 + 3.14e-8 p + 5.6e-7 t^2; 2339 Pa over water at 20 degC (tables)."""
    assert saturation_pressure(293.15) == pytest.approx(2339.0, rel=1e-3)
    for celsius in (0.0, 20.0, 35.0):
        air = Air(celsius + 273.15, 9.5e4, 0.6)
        f = 1.00062 + 3.14e-8 * 9.5e4 + 5.6e-7 * celsius**2
        expected = 0.6 * f * saturation_pressure(celsius + 273.15) / 9.5e4
        assert vapour_fraction(air) == pytest.approx(expected, rel=1e-9)


def test_scales_that_are_absent_are_as_stated() -> None:
    assert Law.scaled({}) == Law(1.0, 1.0, 1.0, 1.0, 2e-3)
    names = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")
    given = dict(zip(names, (1.1, 1.2, 1.3, 1.4, 1.5), strict=True))
    assert Law.scaled(given) == Law(1.1, 1.2, 1.3, 1.4, 3e-3)


def test_the_slope_of_the_rise_is_its_derivative() -> None:
    for mach in (0.1, 0.4, 0.7, 0.9, 0.97, 1.1, 1.4, 1.8, 2.5, 3.5):
        near = (mach_rise(mach + 1e-6)[0] - mach_rise(mach - 1e-6)[0]) / 2e-6
        assert mach_rise(mach)[1] == pytest.approx(near, abs=1e-6)


def test_nodes_are_as_close_as_asked_and_stand_at_markers() -> None:
    line = Line(np.array([0.0, 2.0]), np.full(2, 4e-3), np.full(2, 0.01), handle_length=0.2)
    anchors = np.array([0.05, 0.7, 1.3, 1.997])
    nodes = stations(line, anchors, 0.1, 0.02)
    assert nodes[0] == 0.0 and nodes[1] == 0.2 and nodes[-1] == 2.0
    for anchor in (0.7, 1.3):
        assert np.abs(nodes - anchor).min() < 1e-12
    assert np.abs(nodes - 1.997).min() > 2e-3  # 3 mm beside the tip: no node of its own
    step = np.diff(nodes)[1:]
    left = 1.0 - (nodes[1:-1] - 0.2) / 1.8
    want = 0.02 + 0.08 * left
    assert (step < 1.08 * want).all() and (step > 0.6 * want).all()
    near = np.diff(stations(line, anchors, 0.1, 0.02, spacing_clamp=5e-3))
    assert near[1] < 7e-3 and near[-1] > 0.01


def test_without_gravity_a_line_goes_on_as_its_grip_points() -> None:
    chain = chain_of(1e-3)
    x = rest_shape(chain, fixed([0, 0, 0], [0.0, 0.6, 0.8]), np.zeros(3))
    np.testing.assert_allclose(x, np.outer(chain.station, [0.0, 0.6, 0.8]), atol=1e-6)
