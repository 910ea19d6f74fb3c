"""Stretch by Hooke's law; a bar hanging under its own weight, textbook: w L^2 / (2 E A)."""

import numpy as np
import pytest

from lashwave.mechanics.stretch import elongation, hanging_strain, lasting
from lashwave.quantities.line import Line, Tuft

G = 9.80665
LINE = Line(
    np.linspace(0.0, 2.0, 41), np.full(41, 8e-3), np.full(41, 0.05),
    axial_stiffness=np.full(41, 2e3),
)  # fmt: skip


def test_a_bar_that_hangs_stretches_by_half_its_weight():
    strain = hanging_strain(LINE, G)
    total = np.trapezoid(strain, LINE.station)
    assert total == pytest.approx(0.05 * G * 2.0**2 / (2 * 2e3), rel=1e-12)
    assert strain[0] == pytest.approx(0.05 * G * 2.0 / 2e3) and strain[-1] == 0.0


def test_a_tuft_hangs_at_the_end():
    tufted = Line(
        LINE.station, LINE.diameter, LINE.linear_density, axial_stiffness=LINE.axial_stiffness,
        tuft=Tuft(1e-5, 0.0, 0.01),
    )  # fmt: skip
    more = hanging_strain(tufted, G) - hanging_strain(LINE, G)
    assert more == pytest.approx(np.full(41, 0.01 * G / 2e3))


def test_a_pull_stretches_each_link_by_its_share():
    """Two springs in series: F (l1 / EA1 + l2 / EA2); rigid ends do not stretch."""
    line = Line(
        np.array([0.0, 1.0, 1.0 + 1e-9, 2.0]), np.full(4, 8e-3), np.full(4, 0.05),
        axial_stiffness=np.array([1e3, 1e3, 4e3, 4e3]),
    )  # fmt: skip
    station = np.array([0.0, 0.5, 1.0, 2.0])
    pull = np.array([[np.nan, 20.0, 20.0], [np.nan, 0.0, 40.0]])
    assert elongation(line, station, pull) == pytest.approx([20 / 2e3 + 20 / 4e3, 40 / 4e3])


def test_a_spike_does_not_last():
    time = np.linspace(0.0, 1.0, 1001)
    values = np.where(np.abs(time - 0.5) < 1e-3, 9.0, 1.0)
    assert lasting(time, values) == 1.0
    assert lasting(time, np.where(time > 0.95, 9.0, 1.0)) == 9.0


def test_no_column_says_nothing():
    bare = Line(LINE.station, LINE.diameter, LINE.linear_density)
    assert np.isnan(hanging_strain(bare, G)).all()
    assert np.isnan(elongation(bare, bare.station, np.ones((2, 40)))).all()
