"""Speed between grid times: exact bounds and a fine look where they leave room.

Between two times a motion is the cubic Hermite of position and velocity, so its velocity is a
quadratic in x, the share of the interval done: (1 - x)^2 v0 + 2 x (1 - x) m + x^2 v1, whose middle
control point m follows from the mean velocity (v0 + m + v1) / 3. A quadratic stays within the
triangle of its control points, so no speed in the interval exceeds the greatest of the three.
Between two stations the motion is linear, so the greatest speed always sits at a station.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import Array

PIECES = 64
"""Parts of an interval looked at: 4.7 us of 0.3 ms; the speed of a smooth peak is then good to
1e-4 of its change over the interval."""
STEP = np.linspace(0.0, 1.0, PIECES + 1)
_WEIGHTS = np.stack([(1 - STEP) ** 2, 2 * STEP * (1 - STEP), STEP**2], axis=-1)


def controls(step: Array, position: Array, velocity: Array) -> Array:
    """Control points (Q, 3, 3) of the velocity in intervals of length `step` (Q,) [s].

    position, velocity : (2, Q, 3), of the left and the right ends.
    """
    control = np.empty((step.size, 3, 3))
    control[:, 0], control[:, 2] = velocity
    control[:, 1] = 3.0 * (position[1] - position[0]) / step[:, None] - velocity[0] - velocity[1]
    return control


def track_controls(times: Array, position: Array, velocity: Array) -> Array:
    """Control points (K - 1, 3, 3) of one point's whole motion (K, 3).

    Times [s], positions [m], velocities [m/s]; control points as they.
    """
    ends = (np.stack([values[:-1], values[1:]]) for values in (position, velocity))
    return controls(np.diff(times), *ends)


def bound(control: Array) -> Array:
    """(Q,) [m/s], which no speed in the interval exceeds."""
    return np.asarray(np.sqrt(np.einsum("qci,qci->qc", control, control).max(axis=-1)))


def speeds(control: Array) -> Array:
    """(Q, PIECES + 1) [m/s], the speed through each interval."""
    through = np.einsum("pc,qci->qpi", _WEIGHTS, control)
    return np.asarray(np.sqrt(np.einsum("qpi,qpi->qp", through, through)))


def fine_times(times: Array, wanted: NDArray[np.bool_]) -> Array:
    """Sorted times [s] that divide each wanted interval (K - 1,) in PIECES parts."""
    left = np.flatnonzero(wanted)
    step = times[left + 1] - times[left]
    return np.unique(times[left][:, None] + step[:, None] * STEP)
