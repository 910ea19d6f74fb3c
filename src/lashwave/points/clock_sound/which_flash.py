"""Which flash is which sample: the motion seen in both, the camera's picture and the markers.

Flashes alone give the clock up to whole marker periods. What the camera sees move (a marker's dot,
or the tip) moves with the last markers on the line: over the seen span its image is their
projected images, joined linearly, plus a constant. The candidate at which that fits best is the
clock; how much better than the next says whether to believe it. A dot that both see settles it.
A tip lags behind the markers, and weights that are free make up for a lag: with several markers
the answer often stays open, with the last one alone a lag passes for an offset; the estimator's
own fit is then the better judge.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from lashwave.instruments.clock import frame_time
from lashwave.points.clock_sound.flash_clock import clear
from lashwave.quantities.arrays import Array
from lashwave.quantities.clock_fit import ClockFit

FEWEST = 8
"""Frames that a candidate must share with the markers to be judged."""


def motion_log_likelihood(
    offsets: Array,
    rate: float,
    drift: float,
    frame: NDArray[np.int64],
    uv: Array,
    sd: Array,
    sample_times: Array,
    images: Array,
) -> Array:
    """Log likelihood of clock offsets by the motion, (C,); nan where it cannot be judged.

    Parameters
    ----------
    offsets : (C,) [s]; rate [Hz] and drift of the camera.
    frame, uv, sd : (F,), (F, 2), (F,) what the camera saw move, and its sd [px].
    sample_times : (M,) [s] of the markers.
    images : (M, K, 2) [px] the last K markers projected into the camera; nan where unseen.

    The misfit's size is unknown (the tip is no marker), so it is taken from the best fit; that
    fit's neighbouring frames err alike, and count for as many as are independent.
    """
    picked = [
        _predictors(frame_time(rate, frame, float(o), drift), sample_times, images) for o in offsets
    ]
    misfit, count = np.full(len(offsets), np.nan), np.zeros(len(offsets))
    traces: list[Array] = []
    for i, columns in enumerate(picked):
        seen = np.isfinite(columns).all(axis=(1, 2))
        if seen.sum() < max(FEWEST, 2 * columns.shape[1] + 2):
            traces.append(np.empty((0, 2)))
            continue
        off = _unexplained(uv[seen], sd[seen], columns[seen])
        misfit[i], count[i] = float(np.mean(np.square(off))), seen.sum()
        traces.append(off)
    if np.isnan(misfit).all():
        return misfit
    best = int(np.nanargmin(misfit))
    scale = max(float(misfit[best]), 1.0)
    free = _independent(traces[best]) / count[best]
    return np.asarray(-0.5 * count * 2.0 * free * (misfit / scale - 1.0))


def resolve(fit: ClockFit, motion: Array) -> ClockFit:
    """The clock with the motion's word added to each candidate's likelihood.

    A candidate that the motion cannot judge (nan: its markers were lost just then) stays as
    possible as the best; it is then not resolved unless the stated clock excludes it.
    """
    value = fit.log_likelihood + np.where(np.isnan(motion), 0.0, motion)
    best = int(np.argmax(value))
    move = float(fit.candidates[best]) - fit.offset
    return replace(
        fit,
        offset=fit.offset + move,
        bounds=(fit.bounds[0] + move, fit.bounds[1] + move),
        log_likelihood=value - value[best],
        resolved=clear(value),
    )


def _predictors(times: Array, sample_times: Array, images: Array) -> Array:
    """Markers' images at frame times, (F, K, 2): cubic through seen samples, nan across gaps."""
    found = np.full((times.size, *images.shape[1:]), np.nan)
    period = float(np.median(np.diff(sample_times)))
    for k in range(images.shape[1]):
        seen = np.isfinite(images[:, k]).all(axis=1)
        if seen.sum() < 4:
            continue
        knots = sample_times[seen]
        after = np.clip(np.searchsorted(knots, times), 1, knots.size - 1)
        held = (times >= knots[0]) & (times <= knots[-1])
        held &= knots[after] - knots[after - 1] < 1.5 * period
        found[held, k] = CubicSpline(knots, images[seen, k])(times[held])
    return found


def _unexplained(uv: Array, sd: Array, columns: Array) -> Array:
    """What a constant and the markers' images leave of the seen motion, (F, 2) [sd]."""
    size, markers = columns.shape[:2]
    rows = np.zeros((size, 2, 2 + markers))
    rows[:, 0, 0] = rows[:, 1, 1] = 1.0
    rows[:, :, 2:] = np.moveaxis(columns, 1, 2)
    flat = (rows / sd[:, None, None]).reshape(2 * size, -1)
    aim = (uv / sd[:, None]).ravel()
    return np.asarray((aim - flat @ np.linalg.lstsq(flat, aim, rcond=None)[0]).reshape(size, 2))


def _independent(trace: Array) -> float:
    """As how many independent frames a correlated residual (F, 2) counts: by its lag-1 rho."""
    size = len(trace)
    power = float(np.sum(np.square(trace)))
    if power <= 0.0:
        return float(size)
    rho = float(np.clip(np.sum(trace[1:] * trace[:-1]) / power, 0.0, 0.99))
    return max(size * (1.0 - rho) / (1.0 + rho), 1.0)
