"""The motion r(s, t): its one rule of interpolation.

A motion is an `xarray.Dataset` with dimensions time [s, lab clock], station [m], axis (x, y, z)
and, on (time, station, axis), `position`, `velocity`, ... as `docs/trial-folder.md` says. Between
times it is the cubic Hermite of position and velocity, between stations it is linear.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities.arrays import Array


def hermite_weights(times: Array, at: Array) -> tuple[NDArray[np.intp], Array, Array]:
    """Interval index and cubic Hermite weights of times `at` (Q,) in the grid `times` (K,) [s].

    Returns
    -------
    index : (Q,), the interval's left end.
    weights : (Q, 4), of left position, left velocity, right position, right velocity.
    rates : (Q, 4), the same for the time derivative.
    """
    index = np.clip(np.searchsorted(times, at, side="right") - 1, 0, times.size - 2)
    step = times[index + 1] - times[index]
    x = (at - times[index]) / step
    weights = np.stack(
        [
            (1 + 2 * x) * (1 - x) ** 2,
            step * x * (1 - x) ** 2,
            x * x * (3 - 2 * x),
            step * x * x * (x - 1),
        ],
        axis=-1,
    )
    rates = np.stack(
        [
            6 * x * (x - 1) / step,
            (1 - x) * (1 - 3 * x),
            6 * x * (1 - x) / step,
            x * (3 * x - 2),
        ],
        axis=-1,
    )
    return index, weights, rates


SHOWN = 5000
"""Times of a motion that a screen is given at most."""


def chosen_times(time: Array, speed: Array, most: int = SHOWN) -> NDArray[np.intp]:
    """At most `most` indices of a grid, ends and the fastest moment among them, no unit.

    time (K,) [s]; speed (K,) [m/s] of the fastest station. Chosen so that it goes about equally
    far from one to the next; a quarter of them is spread evenly over the grid.
    """
    if time.size <= most:
        return np.arange(time.size)
    step = np.diff(time) * 0.5 * (speed[1:] + speed[:-1])
    gone = np.concatenate([[0.0], np.cumsum(step)])
    share = 0.75 * gone / max(gone[-1], 1e-300) + 0.25 * np.linspace(0.0, 1.0, time.size)
    wanted = np.linspace(0.0, share[-1], most - 1)
    index = np.searchsorted(share, wanted * (1 - 1e-12))
    return np.unique(np.concatenate([index, [int(np.argmax(speed)), time.size - 1]]))


def interpolate(
    times: Array, position: Array, velocity: Array, at: ArrayLike
) -> tuple[Array, Array]:
    """Position and velocity at times `at`, from arrays whose first axis is `times`.

    Parameters
    ----------
    times : (T,) [s]; position, velocity : (T, ...) [m], [m/s]; at : (Q,) [s].

    Returns
    -------
    position, velocity : (Q, ...).
    """
    at = np.atleast_1d(np.asarray(at, dtype=float))
    index, weights, rates = hermite_weights(times, at)
    shape = (at.size,) + (1,) * (position.ndim - 1)
    corners = (position[index], velocity[index], position[index + 1], velocity[index + 1])
    place = sum(weights[:, i].reshape(shape) * corner for i, corner in enumerate(corners))
    rate = sum(rates[:, i].reshape(shape) * corner for i, corner in enumerate(corners))
    return np.asarray(place), np.asarray(rate)
