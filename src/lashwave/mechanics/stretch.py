"""How far a line that is taken as unstretchable would stretch, by its stated axial stiffness.

Strain is pull over axial stiffness EA, quasi-static (Hooke). The model's line keeps its length, so
this is a check on that assumption and no part of the motion.
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, Line

TOO_SOFT = 0.01
"""Strain from which a line is refused: 10 mm a metre, against marker places known to a millimetre
or better and stations to some two."""
LASTING = 0.01
"""Share of the record over which the fitted pull must ask for it; a spike of the pull is none."""


def hanging_strain(line: Line, gravity: float) -> Array:
    """(R,) at the table's rows, of the line hanging from its butt under its own weight.

    gravity : size [m/s2]. The tuft's mass hangs at the end. nan without an axial stiffness.
    """
    if line.axial_stiffness is None:
        return np.full(line.station.size, np.nan)
    piece = 0.5 * (line.linear_density[1:] + line.linear_density[:-1]) * np.diff(line.station)
    below = np.append(np.cumsum(piece[::-1])[::-1], 0.0)
    if line.tuft is not None:
        below = below + line.tuft.mass
    return np.asarray(gravity * below / line.axial_stiffness)


def elongation(line: Line, station: Array, tension: Array) -> Array:
    """(K,) [m], change of length of the whole line.

    station : (N + 1,) [m], nodes of the links.
    tension : (K, N) [N], pull of each link; nan on rigid ends, which do not stretch.
    """
    if line.axial_stiffness is None:
        return np.full(tension.shape[0], np.nan)
    middle = 0.5 * (station[1:] + station[:-1])
    stiffness = np.interp(middle, line.station, line.axial_stiffness)
    return np.asarray(np.nan_to_num(tension) @ (np.diff(station) / stiffness))


def lasting(time: Array, values: Array, share: float = LASTING) -> float:
    """The largest value that is reached or passed for a share of the record; time (K,) [s]."""
    weight = np.gradient(time)
    order = np.argsort(values)[::-1]
    held = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(held, share * held[-1])])
