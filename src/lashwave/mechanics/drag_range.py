"""Whether a motion stays where the drag law was measured (sources and range: docs/methods.md)."""

from __future__ import annotations

from lashwave.mechanics.drag import MACH_KNOTS
from lashwave.quantities import Array

CRISIS = 2e5
"""Reynolds number of the drag crisis of a smooth cylinder (Roshko, J. Fluid Mech. 10, 1961)."""
FASTEST = float(MACH_KNOTS[-1])
"""Mach number up to which the rise of the drag is known."""
MEASURED = (5e4, 1e6)
"""Reynolds numbers of those measurements."""
RISEN = 0.8
"""Mach number from which the rise is more than a third, and so matters."""


def range_warnings(
    time: Array, across: Array, diameter: Array, density: float, viscosity: float, sound: float
) -> tuple[str, ...]:
    """What is outside the law's range.

    time : (K,) [s]. across : (K, N) [m/s], speed across each link. diameter : (N,) [m].
    density [kg/m3], viscosity [Pa s] and speed of sound [m/s] of the air.
    """
    if density <= 0.0:
        return ()
    reynolds, mach = across * diameter * density / viscosity, across / sound
    found = []
    if mach.max() > FASTEST:
        k = int((mach > FASTEST).any(axis=1).argmax())
        found.append(
            f"air drag: the line moves at Mach {mach.max():.2f} from {time[k]:.4f} s on; the law "
            f"is known to Mach {FASTEST} and taken as constant beyond"
        )
    fast = mach > RISEN
    if fast.any() and (reynolds[fast] < MEASURED[0]).any():
        k = int(fast.any(axis=1).argmax())
        found.append(
            f"air drag: from {time[k]:.4f} s on the line moves faster than Mach {RISEN} at "
            f"Reynolds numbers down to {reynolds[fast].min():.1g}; the rise of drag with Mach "
            f"number was measured from {MEASURED[0]:.0e} to {MEASURED[1]:.0e}, and is carried over"
        )
    if reynolds.max() > CRISIS:
        found.append(
            f"air drag: Reynolds numbers reach {reynolds.max():.1g}; from {CRISIS:.0e} on the drag "
            "of a smooth cylinder falls to a third, which the law does not know"
        )
    return tuple(found)
