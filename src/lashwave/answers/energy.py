"""What work did the hand do, and how much of it moved at once?"""

from __future__ import annotations

import numpy as np

from lashwave.answers.smoothing import ENOUGH, smoothed
from lashwave.quantities import Array, Draws

STEP = 1e-4
"""Of the even times on which kinetic energy is smoothed [s] ..."""
SPANS = (0.6e-3, 1e-3, 1.7e-3, 2.8e-3)
"""... over these spans [s]."""
WORK_MODEL_SD = 0.007
"""Standard deviation added to the hand's work, over the greatest work done so far: that of eight
twin trials came out 1.1 % low to 0.5 % high."""


def work_with_model_error(draws: Draws) -> Array:
    """(D, K) [J], `work_so_far` with a fault that grows as the work of all draws does."""
    return with_work_error(work_so_far(draws.time, draws.hand_power))


def with_work_error(done: Array) -> Array:
    """Work (D, K) [J] with that fault."""
    size: Array = np.asarray(np.median(np.abs(done), axis=0))
    deviate = np.random.default_rng(1).standard_normal((int(done.shape[0]), 1))
    return np.asarray(done + WORK_MODEL_SD * deviate * np.maximum.accumulate(size))


def work_so_far(time: Array, power: Array) -> Array:
    """(D, K) [J], work of the hand's power (D, K) [W] from the first of times (K,) [s] on; nan
    where it is not known."""
    done = 0.5 * (power[:, 1:] + power[:, :-1]) * np.diff(time)
    start = 0.0 * power[:, :1]  # nan where the hand is not known at all
    return np.concatenate([start, np.cumsum(done, axis=1)], axis=1)


def peak_kinetic_energy(times: Array, kinetic: Array, excess: Array) -> Array:
    """(D,) [J], greatest kinetic energy of draws (D, K) [J], smoothed as widely as they allow.

    A draw's energy has spikes of half a millisecond after a recoil, which the line's has not. What
    no hand has given is no kinetic energy: excess (D, K) [J], what a draw holds and has lost beyond
    the hand's work so far, is taken off; nan where the work is not known.
    """
    given = kinetic - np.maximum(np.nan_to_num(excess), 0.0)
    if given.shape[0] < ENOUGH or times[-1] - times[0] < 4 * STEP:
        return np.array([_peak(times, energy) for energy in given])
    even = np.arange(times[0], times[-1] + 0.5 * STEP, STEP)
    smooth = smoothed(np.array([np.interp(even, times, row) for row in given]), STEP, SPANS)
    return np.array([_peak(even, energy) for energy in smooth])


def _peak(times: Array, values: Array) -> float:
    """Top of the parabola through the greatest value and its neighbours; itself at an end."""
    k = int(values.argmax())
    if k in (0, values.size - 1):
        return float(values[k])
    t, v = times[k - 1 : k + 2] - times[k], values[k - 1 : k + 2] - values[k]
    bend = (v[2] / t[2] - v[0] / t[0]) / (t[2] - t[0])
    slope = v[0] / t[0] - bend * t[0]
    rise = -0.25 * slope**2 / bend if bend < 0.0 else 0.0
    return float(values[k] + rise)
