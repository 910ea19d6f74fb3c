"""What an information matrix tells apart, in numbers and in words."""

import numpy as np
import pytest

from lashwave.study.sensitivity import telling


def test_correlations_of_the_gum_example():
    """JCGM 100:2008 H.2: r(R, X) = -0.588 from five simultaneous readings of V, I and phi (the
    readings from memory; they give the published means, deviations and correlation)."""
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    covariance = np.cov(np.stack([volt, ampere, phase])) / 5
    v, i, p = volt.mean(), ampere.mean(), phase.mean()
    slope = np.array(
        [
            [np.cos(p) / i, -v * np.cos(p) / i**2, -v * np.sin(p) / i],
            [np.sin(p) / i, -v * np.sin(p) / i**2, v * np.cos(p) / i],
        ]
    )
    information = np.linalg.inv(slope @ covariance @ slope.T)
    said = telling(("R", "X"), information, np.ones(2), np.full(2, 0.1))
    assert said.alone == pytest.approx([0.071, 0.296], abs=5e-4)
    assert said.correlation[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert said.rank == 2


def test_only_a_product_is_held():
    """Two scales that enter as their product alone: rank one."""
    ones = 400.0 * np.ones((2, 2))
    said = telling(("drag", "area"), ones, np.full(2, 0.5), np.array([0.36, 0.36]))
    assert said.rank == 1 and said.resolved == 1 and said.condition == np.inf
    assert said.directions[0].words in ("drag up with area up", "area up with drag up")
    assert np.isinf(said.directions[1].sd)
    assert any("do not determine" in line and "down" in line for line in said.statements)


def test_nearly_a_product_is_said_to_be_one():
    said = telling(
        ("drag", "area"), np.array([[400.0, 390.0], [390.0, 400.0]]), np.ones(2), np.full(2, 0.1)
    )
    assert said.rank == 2
    assert said.condition == pytest.approx(790 / 10)
    assert said.correlation[0, 1] == pytest.approx(-390 / 400)
    assert any("tell drag and area apart" in line and "product" in line for line in said.statements)


def test_all_told_and_one_not():
    known = np.array([0.15, 0.7])
    said = telling(("drag", "damping"), np.diag([1e4, 1e3]), known, np.array([0.01, 0.03]))
    assert said.statements == ("Every scale is separated from the others by the sightings.",)
    said = telling(("drag", "damping"), np.diag([1e4, 0.5]), known, np.array([0.01, 0.62]))
    assert said.resolved == 1
    assert any("damping by itself" in line for line in said.statements)
    assert len(said.statements) == 1
    said = telling(("drag", "damping"), np.diag([1e4, 100.0]), known, np.array([0.01, 0.62]))
    assert len(said.statements) == 1
    assert "what limits it is the chain's own error" in said.statements[0]
