"""What impulse did the hand give, and helpers of lists over time."""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, Draws

IMPULSE_MODEL_SD = 0.01
"""Standard deviation, logarithmic, added to the hand's impulse. It ends with the line's momentum at
the last sample, where nothing later holds the motion. Two sets of throws of the independent engine
ask for 0 to 0.016 and 0 to 0.021."""


def mean_over(times: Array, values: Array, span: float) -> Array:
    """Values (D, K), linear in time, averaged over `span` [s] about each time; less at the ends."""
    whole = np.concatenate(
        [
            np.zeros((values.shape[0], 1)),
            np.cumsum(0.5 * (values[:, 1:] + values[:, :-1]) * np.diff(times), axis=1),
        ],
        axis=1,
    )
    start = np.clip(times - 0.5 * span, times[0], times[-1])
    stop = np.clip(times + 0.5 * span, times[0], times[-1])
    part = [np.interp(stop, times, row) - np.interp(start, times, row) for row in whole]
    return np.asarray(part) / (stop - start)


def peak_time(times: Array, values: Array, until: Array) -> Array:
    """(D,) [s], when values (D, K), linear in time, are greatest from the start to `until` (D,)."""
    seen = np.where(times <= until[:, None], values, -np.inf)
    at_end = np.array([np.interp(t, times, v) for t, v in zip(until, values, strict=True)])
    return np.where(at_end > seen.max(axis=1), until, times[seen.argmax(axis=1)])


def hand_impulse(draws: Draws) -> Array:
    """(D, 3) [N s], vector integral of the hand's force, gravity's share included."""
    return np.asarray(np.trapezoid(draws.hand_force, draws.time, axis=1))


def with_impulse_error(impulse: Array) -> Array:
    """(D,) [N s], size of impulses (D, 3) with what is known of their fault."""
    size = np.linalg.norm(impulse, axis=-1)
    deviate = np.random.default_rng(3).standard_normal(size.size)
    return np.asarray(size * np.exp(IMPULSE_MODEL_SD * deviate))
