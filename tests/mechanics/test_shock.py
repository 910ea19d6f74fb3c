"""Overpressure from shock speed: Rankine-Hugoniot values and their conditioning."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics.shock import overpressure, overpressure_of_speed, shock_mach

ATMOSPHERE = 101325.0


def test_overpressure_of_checks_e7_and_e9() -> None:
    """NACA Report 1135: p2/p1 at M; and dp = 200, 1000, 5000 Pa give M - 1 (checks e9)."""
    ratio = 1.0 + overpressure([1.05, 1.1, 1.5, 2.0, 3.0], 1.0)
    assert np.allclose(ratio, [1.11958, 1.24500, 2.45833, 4.5, 10.3333], atol=5e-5)
    excess = shock_mach([200.0, 1000.0, 5000.0], ATMOSPHERE) - 1.0
    assert np.allclose(excess, [8.4558e-4, 4.2208e-3, 2.0929e-2], rtol=2e-5)


def test_a_metre_a_second_is_689_pa() -> None:
    """Check e10: at M = 1 and c = 343.2 m/s; a weak front's pressure is then refused."""
    weak = overpressure_of_speed(344.0, 1.0, 343.2, 0.0, ATMOSPHERE)
    assert weak.sd == pytest.approx(689.0 * 344.0 / 343.2, rel=1e-3)
    assert weak.value is None and weak.reason is not None and "690 Pa" in weak.reason
    strong = overpressure_of_speed(1.1 * 343.2, 1.0, 343.2, 0.3, ATMOSPHERE)
    assert strong.value == pytest.approx(0.245 * ATMOSPHERE, rel=1e-4)
