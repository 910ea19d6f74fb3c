"""Static tests as further data on the bending stiffness."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.mechanics.stiffness_sources import droop_curve, droop_stiffness
from lashwave.quantities.line import Droop, Line
from lashwave.study.scales import static_stiffness

DYNAMIC = 0.15
"""By which a static test of a plaited line may differ from its dynamic stiffness (docs)."""

LINE = Line(
    station=np.array([0.0, 1.0, 2.0]),
    diameter=np.full(3, 4e-3),
    linear_density=np.full(3, 0.02),
    bending_stiffness=np.full(3, 1e-4),
    column_sd={"bending_stiffness": np.full(3, 1e-5)},
)


def _droop(stiffness, sd):
    """The drop that a cantilever of 0.08 m with that stiffness shows (mechanics.droop's curve)."""
    drop, _, _ = droop_curve(0.02 * 9.80665 * 0.08**3 / stiffness)
    return Droop(1.0, 0.08, drop * 0.08, None, sd)


def test_table_and_droop_are_weighed_by_their_variances():
    """Two independent readings of one quantity: weights 1 / variance (GUM, JCGM 100, H.5)."""
    droop = _droop(1.2e-4, 1e-3)
    line = replace(LINE, droops=(droop,))
    value, relative = droop_stiffness(line, droop)
    assert value == pytest.approx(1.2e-4, rel=1e-3)
    weight = np.array([1 / 0.1**2, 1 / relative**2])
    mean, sd = static_stiffness(line)
    assert mean == pytest.approx(weight[1] * np.log(1.2) / weight.sum(), rel=5e-3)
    assert sd == pytest.approx(np.hypot(weight.sum() ** -0.5, DYNAMIC), rel=1e-6)


def test_a_droop_that_the_stated_stiffness_is_made_from_counts_once():
    line = replace(LINE, bending_stiffness=None, column_sd={}, droops=(_droop(1.2e-4, 1e-3),))
    mean, sd = static_stiffness(line)
    assert mean == 0.0 and sd > DYNAMIC
    assert static_stiffness(LINE) == pytest.approx((0.0, np.hypot(0.1, DYNAMIC)))
