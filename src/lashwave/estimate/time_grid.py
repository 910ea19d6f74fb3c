"""Time grids: fine where the line turns fast, never far apart, growing gently."""

from __future__ import annotations

import numpy as np

from lashwave.estimate.path import Path
from lashwave.quantities import Array

SHOULDER = 0.5e-3
"""The rotation rate is taken as its largest within this of a moment [s]."""


SHORT = 0.02
"""A link shorter than this counts by the way of its end: it can turn fast and go nowhere [m]."""


def rotation_rate(path: Path) -> Array:
    """(K,) rate of the fastest turning link [rad/s]."""
    turn = np.linalg.norm(np.diff(path.direction, axis=0), axis=-1)
    turn = (turn * np.minimum(path.chord[:-1] / SHORT, 1.0)).max(axis=1)
    rate = turn / np.diff(path.time)
    at = np.empty(path.time.size)
    at[1:-1] = np.maximum(rate[:-1], rate[1:])
    at[0], at[-1] = rate[0], rate[-1]
    return at


def wanted_step(
    time: Array, rate: Array, turn: float, longest: float, shortest: float
) -> tuple[Array, Array]:
    """Fine times (F,) [s] and the step (F,) [s] wanted there.

    rate : (T,) [rad/s] of the fastest link, at times (T,) [s]. It turns by `turn` [rad] at most.
    """
    fine = np.arange(time[0], time[-1], 0.05e-3)
    peak = np.interp(fine, time, rate)
    from scipy.ndimage import maximum_filter1d

    peak = maximum_filter1d(peak, 2 * round(SHOULDER / 0.05e-3) + 1)
    return fine, np.clip(turn / np.maximum(peak, 1e-9), shortest, longest)


def march(start: float, stop: float, fine: Array, step: Array, growth: float) -> Array:
    """Times (K,) [s] from start to stop, neighbouring steps within `growth` of each other.

    step : wanted (F,) [s], at the fine times (F,) [s].

    The wanted steps are first lowered so that none asks for faster growth, in either direction.
    """
    slope = np.log1p(growth)
    want = step.copy()
    spacing = np.diff(fine)
    for i in range(1, want.size):
        want[i] = min(want[i], want[i - 1] + slope * spacing[i - 1])
    for i in range(want.size - 2, -1, -1):
        want[i] = min(want[i], want[i + 1] + slope * spacing[i])
    crowd = np.concatenate([[0.0], np.cumsum(0.5 * (1 / want[1:] + 1 / want[:-1]) * spacing)])
    total = float(np.interp(stop, fine, crowd) - np.interp(start, fine, crowd))
    tail = max(0.0, stop - fine[-1]) / want[-1]
    pieces = max(2, int(np.ceil(total + tail)))
    marks = np.interp(start, fine, crowd) + np.arange(pieces + 1) * (total + tail) / pieces
    long = np.append(fine, max(stop, fine[-1] + 1e-9))
    times = np.interp(marks, np.append(crowd, crowd[-1] + max(tail, 1e-9)), long)
    times[0], times[-1] = start, stop
    return times
