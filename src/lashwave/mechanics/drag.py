"""Air drag of a thin round line: one law, shared by the simulation and the estimator.

Normal to the line: force per length 1/2 rho d C(Re) f(M) |v_n| v_n (the cross-flow principle;
Hoerner, Fluid-Dynamic Drag, 1965), along it 1/2 rho pi d C_f(Re) |v_t| v_t.

Range: 1 < Re < 2e5 (below the drag crisis, Roshko 1961) and M < 2.9.
"""

from __future__ import annotations

import numba as nb
import numpy as np

# Ratio of the drag coefficient of a cylinder in cross-flow to its value at low speed. The peak
# near M = 1 follows Gowen and Perkins, NACA TN 2960 (1953): 2.1 at M = 1 and 1.34 at M = 2.9
# over 1.2 at M = 0; in between the shape of public fits to the same data.
MACH_KNOTS = np.array([0.0, 0.3, 0.5, 0.8, 0.95, 1.0, 1.2, 1.5, 2.0, 2.9])
MACH_FACTORS = np.array([1.0, 1.05, 1.12, 1.38, 1.68, 1.75, 1.47, 1.32, 1.20, 1.12])


def _monotone_slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slopes of the monotone cubic through the knots (Fritsch and Butland, 1984)."""
    from scipy.interpolate import PchipInterpolator

    slopes = PchipInterpolator(x, y).derivative()(x)
    slopes[0] = 0.0
    return np.asarray(slopes)


_SLOPES = _monotone_slopes(MACH_KNOTS, MACH_FACTORS)


@nb.njit(cache=True)
def mach_factor(mach: float) -> float:
    """Ratio of the normal drag coefficient at `mach` to that at low speed; constant above 2.9."""
    last = MACH_KNOTS.size - 1
    if mach >= MACH_KNOTS[last]:
        return MACH_FACTORS[last]
    i = 0
    while mach > MACH_KNOTS[i + 1]:
        i += 1
    step = MACH_KNOTS[i + 1] - MACH_KNOTS[i]
    x = (mach - MACH_KNOTS[i]) / step
    y = 1.0 - x
    return (
        (1.0 + 2.0 * x) * y * y * MACH_FACTORS[i]
        + step * x * y * y * _SLOPES[i]
        + x * x * (3.0 - 2.0 * x) * MACH_FACTORS[i + 1]
        - step * x * x * y * _SLOPES[i + 1]
    )


@nb.njit(cache=True)
def normal_coefficient(reynolds: float, mach: float) -> float:
    """Drag coefficient of a smooth cylinder in cross-flow.

    1 + 10 Re^(-2/3) (White, Viscous Fluid Flow; within 10 % of the classical data for
    1 < Re < 1e5) times `mach_factor`. Below Re = 0.01 it stays at its value there.
    """
    r = reynolds if reynolds > 0.01 else 0.01
    root = r ** (-1.0 / 3.0)
    return (1.0 + 10.0 * root * root) * mach_factor(mach)


@nb.njit(cache=True)
def tangential_coefficient(reynolds: float) -> float:
    """Skin-friction coefficient along a thread, 0.37 Re_d^-0.61 on the wetted surface.

    Matsui, Trans. Soc. Rheol. 20 (1976) 465 (coefficients from memory; good to a factor 1.5).
    """
    r = reynolds if reynolds > 1.0 else 1.0
    return 0.37 * r**-0.61
