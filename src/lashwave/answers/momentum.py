"""How hard did the hand pull, and what impulse did it give?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import savgol_filter

from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]


PULL_REACH = 0.02
"""How far beyond the grip the pull is read [m]. Next to a clamp the line bends, within
sqrt(EI / T), some millimetres to two centimetres, and there its tension rises from what the
grip's direction leaves of the pull to the pull itself."""
FAST, PULL_SPANS, PULL_STEP = 45.0, (13.5e-3, 8e-3), 2.5e-4
"""The pull is smoothed by a parabola over this time [s], on even times: draws jitter from one time
to the next. A line whose tip stays under `FAST` [m/s] changes its pull slowly and takes the longer
span. On five twin trials the peak came out within 4 %, on ten others it was 12 % off in
the median and up to 37 %: where the recoil reaches the grip as the tip peaks, the true pull doubles
within 0.1 ms of the moment up to which is asked, and no such span follows that."""
PULL_DOUBT = 0.2
"""Standard deviation, logarithmic, added to the peak of that pull: as those ten trials scatter, so
that they are no test of it."""


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


def smoothed(times: Array, values: Array, span: float) -> Array:
    """Values (D, K), linear in time, by parabolas over `span` [s] (Savitzky and Golay 1964)."""
    even = np.arange(times[0], times[-1] + PULL_STEP, PULL_STEP)
    window = min(2 * round(0.5 * span / PULL_STEP) + 1, (even.size - 1) // 2 * 2 + 1)
    fine = np.array([np.interp(even, times, row) for row in values])
    curve = savgol_filter(fine, window, min(2, window - 1), axis=1)
    return np.array([np.interp(times, even, row) for row in curve])


def grip_tension(draws: Draws, grip_end: float, peak_speed: float) -> Array:
    """(D, K) [N], pull at the first node `PULL_REACH` or more after the grip, smoothed as fits a
    tip of that peak speed [m/s]; nan where no tension is known there or beyond."""
    beyond = draws.station >= min(grip_end + PULL_REACH, draws.station[-1]) - 1e-9
    known = np.isfinite(draws.tension).all(axis=(0, 1)) & beyond
    if not known.any():
        return np.full(draws.tension.shape[:2], np.nan)
    span = PULL_SPANS[int(peak_speed > FAST)]
    return smoothed(draws.time, draws.tension[:, :, int(known.argmax())], span)


def peak_pull(times: Array, pull: Array, until: Array) -> Array:
    """(D,) [N], pull of (D, K) when its median is greatest, with what is known of its fault.

    Each draw's own greatest value would be the greatest of many that jitter, and too large. Draw d
    is asked up to its own time `until` (D,) [s].
    """
    doubt = np.random.default_rng(0).standard_normal(pull.shape[0])
    middle = np.median(pull, axis=0)[None]
    top = peak_time(times, middle, np.array([np.median(until)]))[0]
    at = np.array(
        [np.interp(min(top, end), times, row) for end, row in zip(until, pull, strict=True)]
    )
    return np.asarray(at * np.exp(PULL_DOUBT * doubt))


def peak_time(times: Array, values: Array, until: Array) -> Array:
    """(D,) [s], when values (D, K), linear in time, are greatest from the start to `until` (D,)."""
    seen = np.where(times <= until[:, None], values, -np.inf)
    at_end = np.array([np.interp(t, times, v) for t, v in zip(until, values, strict=True)])
    return np.where(at_end > seen.max(axis=1), until, times[seen.argmax(axis=1)])


def hand_impulse(draws: Draws) -> Array:
    """(D,) [N s], size of the vector integral of the hand's force, gravity's share included."""
    impulse = np.trapezoid(draws.hand_force, draws.time, axis=1)
    return np.asarray(np.linalg.norm(impulse, axis=-1))
