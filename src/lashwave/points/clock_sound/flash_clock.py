"""Offset and rate of a camera's clock from the marker system's strobe flashes.

A flash whose middle is known to lie within half a frame of a place bounds the clock; many such
bounds meet in a small region of (offset, drift), every point of which is as likely as the next.
N flashes whose phases sweep through a frame leave an offset interval of 2 / (N + 1) frames in the
mean (the gap about a point among N uniform ones; order statistics, e.g. David and Nagaraja, Order
Statistics, 3rd ed. 2003, ch. 2); where the two rates keep step, a whole frame is left.

Flashes alone give the clock up to whole marker periods. Which flash is which sample, the motion
says: what the camera sees move (a marker's dot, or the tip) moves with the last markers on the
line. Over the seen span its image is their projected images, joined linearly, plus a constant. The
candidate at which that fits best is the clock; how much better than the next says how sure it is.
A dot that both see settles it. A tip lags behind the markers, and free weights make up for a lag:
with several markers the answer often stays open, with the last one alone a lag passes for an
offset. The estimator's own fit then decides.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import linprog

from lashwave.instruments import frame_time
from lashwave.points.clock_sound.clock_settings import FLASHES, FlashSettings
from lashwave.quantities import Array, Clock, ClockFit, Flashes, InputError


def fit_clock(
    flashes: Flashes,
    rate: float,
    frames: int,
    sample_times: Array,
    stated: Clock,
    settings: FlashSettings = FLASHES,
) -> ClockFit:
    """Clock of a camera from flashes, one of which falls at every marker sample.

    Parameters
    ----------
    flashes : as found in the images.
    rate : of the camera [Hz]; frames : length of its record.
    sample_times : (M,) [s] of the markers, uniform.
    stated : what was known before; its drift's sd is what the drift may do (0: none).

    Returns
    -------
    ClockFit whose candidates lie one marker period apart within four stated sd. One is chosen
    by the stated clock and by flashes that should have been seen; `clock_by_motion` adds
    what the motion says.

    Raises
    ------
    InputError
        Where the flashes do not follow the marker rate.
    """
    period = float((sample_times[-1] - sample_times[0]) / (len(sample_times) - 1))
    step = period * rate
    number, good = _numbered(flashes.middle, step, stated.drift_sd, settings)
    if good.sum() < max(1, 0.5 * good.size):
        raise InputError(
            "flashes",
            f"{int(good.sum())} of {good.size} flashes in the images follow the marker rate",
            f"one is due every {step:.2f} frames: check both rates",
        )
    mean, cov, span = _line_of(flashes, number, good, rate, period, stated, settings)
    base = mean[0] + float(sample_times[0])
    near = int(np.rint((stated.offset - base) / period))
    reach = int(np.ceil(settings.window * stated.offset_sd / period))
    shift = np.arange(near - reach, near + reach + 1)
    offsets = base + period * shift
    value = -0.5 * np.square((offsets - stated.offset) / max(stated.offset_sd, 1e-12))
    value = value + settings.missed * _missed(
        offsets, mean[1], rate, frames, sample_times, number, shift
    )
    best = int(np.argmax(value))
    move = period * shift[best] + float(sample_times[0])
    return ClockFit(
        float(offsets[best]),
        float(np.sqrt(cov[0, 0])),
        float(mean[1]),
        float(np.sqrt(cov[1, 1])),
        (span[0] + move, span[1] + move),
        offsets,
        value - value[best],
        is_clear(value, settings=settings),
        float(good.mean()),
    )


def is_clear(log_likelihood: Array, settings: FlashSettings = FLASHES) -> bool:
    """Whether the best of candidates (C,) leads the second by `settings.clear` [1] or more."""
    ranked = np.sort(log_likelihood)
    return ranked.size == 1 or bool(ranked[-1] - ranked[-2] >= settings.clear)


def _numbered(
    middle: Array, step: float, drift_sd: float, settings: FlashSettings
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Number of each flash counted in marker samples, and whether it keeps the rhythm.

    The phase is followed from flash to flash, so that a drift of many frames over a long record
    cannot slip a sample.
    """
    reach = settings.stray + 0.5
    early = middle[:200]
    phase = early[:, None] - early
    phase -= step * np.rint(phase / step)
    anchor = int(np.argmax((np.abs(phase) <= reach).sum(axis=1)))
    number = np.zeros(middle.size, dtype=np.int64)
    good = np.zeros(middle.size, dtype=bool)
    for order in (range(anchor, middle.size), range(anchor, -1, -1)):
        lag, last = 0.0, middle[anchor]
        for i in order:
            off = middle[i] - middle[anchor] - lag
            number[i] = int(np.rint(off / step))
            off -= step * number[i]
            good[i] = abs(off) <= reach + 4.0 * drift_sd * abs(middle[i] - last)
            if good[i]:
                lag, last = lag + 0.3 * off, middle[i]
    return number, good


def _line_of(
    flashes: Flashes, number: NDArray[np.int64], good: NDArray[np.bool_], rate: float,
    period: float, stated: Clock, settings: FlashSettings,
) -> tuple[Array, Array, tuple[float, float]]:  # fmt: skip
    """How late the good flashes come: mean and covariance of offset and drift, offset's bounds."""
    x = flashes.middle[good] / rate
    late = period * number[good] - x
    if np.median(flashes.half[good]) < np.median(flashes.sd[good]):
        sd = np.hypot(flashes.sd[good], flashes.half[good] / np.sqrt(3.0)) / rate
        return _by_line(x, late, sd, stated.drift_sd)
    half = (flashes.half[good] + 3.0 * flashes.sd[good]) / rate
    return _by_region(x, late, half, stated.drift_sd, settings)


def _by_line(
    x: Array, late: Array, sd: Array, drift_sd: float
) -> tuple[Array, Array, tuple[float, float]]:
    """Least squares of late = offset + drift x where each flash's middle was measured."""
    rows = np.column_stack([np.ones_like(x), x]) / sd[:, None]
    aim = late / sd
    prior = np.zeros((2, 2))
    if drift_sd == 0.0:
        rows[:, 1] = 0.0
        prior[1, 1] = 1.0
    else:
        prior[1, 1] = 1.0 / drift_sd**2
    covariance = np.linalg.inv(rows.T @ rows + prior)
    mean = covariance @ (rows.T @ aim)
    off = aim - rows @ mean
    covariance *= max(1.0, float(off @ off) / max(x.size - 2, 1))
    if drift_sd == 0.0:
        covariance[1] = covariance[:, 1] = 0.0
    reach = 2.0 * float(np.sqrt(covariance[0, 0]))
    return (
        mean,
        np.asarray(covariance, dtype=float),
        (float(mean[0]) - reach, float(mean[0]) + reach),
    )


def _by_region(
    x: Array, late: Array, half: Array, drift_sd: float, settings: FlashSettings
) -> tuple[Array, Array, tuple[float, float]]:
    """Mean, covariance and offset bounds of the region |late - offset - drift x| <= half.

    Evenly likely in it, but for what is known of the drift. Where no point meets all bounds, the
    clocks jitter: the bounds are widened by twice the least that lets one in.
    """
    if drift_sd == 0.0:
        short = max(0.0, 0.5 * float((late - half).max() - (late + half).min()))
        half = half + 2.0 * short
        drift = np.zeros(1)
    else:
        half, low, high = _feasible(x, late, half, 5.0 * drift_sd)
        drift = np.linspace(low, high, settings.drifts)
    centre = late - drift[:, None] * x
    low, high = (centre - half).max(axis=1), (centre + half).min(axis=1)
    width = np.maximum(high - low, 0.0)
    weight = width if drift.size > 1 else np.ones(1)
    if drift_sd > 0.0:
        weight = weight * np.exp(-0.5 * np.square(drift / drift_sd))
    weight = weight / weight.sum()
    middle = 0.5 * (low + high)
    mean = np.array([weight @ middle, weight @ drift])
    off = np.column_stack([middle, drift]) - mean
    covariance = (off * weight[:, None]).T @ off
    covariance[0, 0] += weight @ np.square(width) / 12.0
    inside = weight > 0.0
    return mean, covariance, (float(low[inside].min()), float(high[inside].max()))


def _feasible(x: Array, late: Array, half: Array, reach: float) -> tuple[Array, float, float]:
    """Bounds that can be met, widened if need be, and the lowest and highest drift in them."""
    # In units of the bounds' size, which is what the solver's own tolerance is made for.
    unit, span = float(half.max()), max(float(np.ptp(x)), 1e-9)
    ones, slope = np.ones_like(x), x / span
    limits = [(None, None), (-reach * span / unit, reach * span / unit)]
    origin = float(np.median(late))
    sides = np.concatenate([late - origin + half, origin - late + half]) / unit
    rows = np.block([[ones[:, None], slope[:, None]], [-ones[:, None], -slope[:, None]]])
    slack = linprog(
        [0.0, 0.0, 1.0],
        A_ub=np.column_stack([rows, -np.ones(2 * x.size)]),
        b_ub=sides,
        bounds=[*limits, (0.0, None)],
    )
    short = float(slack.x[2])
    if short > 1e-7:
        half, sides = half + 2.0 * short * unit, sides + 2.0 * short
    ends = [
        float(linprog([0.0, sign], A_ub=rows, b_ub=sides, bounds=limits).x[1]) * unit / span
        for sign in (1.0, -1.0)
    ]
    return half, ends[0], ends[1]


def _missed(
    offsets: Array,
    drift: float,
    rate: float,
    frames: int,
    sample_times: Array,
    number: NDArray[np.int64],
    shift: NDArray[np.int64],
) -> Array:
    """Marker samples within the frames at which no flash was found, for each candidate."""
    found = np.zeros(len(offsets))
    for i, (offset, move) in enumerate(zip(offsets, shift, strict=True)):
        place = (sample_times - offset) * rate / (1.0 + drift)
        due = np.flatnonzero((place > 0.5) & (place < frames - 1.5))
        found[i] = np.setdiff1d(due, number + move).size
    return found


def motion_log_likelihood(
    offsets: Array,
    rate: float,
    drift: float,
    frame: Array,
    uv: Array,
    sd: Array,
    sample_times: Array,
    images: Array,
    settings: FlashSettings = FLASHES,
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
        if seen.sum() < max(settings.fewest_frames, 2 * columns.shape[1] + 2):
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


def clock_by_motion(fit: ClockFit, motion: Array, settings: FlashSettings = FLASHES) -> ClockFit:
    """The clock with the motion's log likelihood (C,) [1] added to each candidate's.

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
        resolved=is_clear(value, settings=settings),
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
        inside = (times >= knots[0]) & (times <= knots[-1])
        inside &= knots[after] - knots[after - 1] < 1.5 * period
        found[inside, k] = CubicSpline(knots, images[seen, k])(times[inside])
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
