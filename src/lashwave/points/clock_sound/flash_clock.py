"""Offset and rate of a camera's clock from the marker system's strobe flashes.

A flash whose middle is known to lie within half a frame of a place bounds the clock; many such
bounds meet in a small region of (offset, drift), every point of which is as likely as the next.
N flashes whose phases sweep through a frame leave an offset interval of 2 / (N + 1) frames in the
mean (the gap about a point among N uniform ones; order statistics, e.g. David and Nagaraja, Order
Statistics, 3rd ed. 2003, ch. 2); where the two rates keep step, a whole frame is left.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from lashwave.quantities.arrays import Array
from lashwave.quantities.clock_fit import ClockFit, Flashes
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Clock

CLEAR = 3.0
"""A candidate this much more likely (in log) than every other is the answer."""
WINDOW = 4.0
"""Candidates lie within this many sd of the stated offset."""
MISSED = np.log(0.05)
"""Log likelihood of a flash that should be in the frames and was not found."""
STRAY = 1.0
"""Beyond its own reach, a true flash is within this many frames of the clock."""
DRIFTS = 401
"""Grid of drifts that the region is summed over."""


def fit_clock(
    flashes: Flashes, rate: float, frames: int, sample_times: Array, stated: Clock
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
    by the stated clock and by flashes that should have been seen; `which_flash.resolve` adds
    what the motion says.

    Raises
    ------
    InputError
        Where the flashes do not follow the marker rate.
    """
    period = float((sample_times[-1] - sample_times[0]) / (len(sample_times) - 1))
    step = period * rate
    number, good = _numbered(flashes.middle, step, stated.drift_sd)
    if good.sum() < max(1, 0.5 * good.size):
        raise InputError(
            "flashes",
            f"{int(good.sum())} of {good.size} flashes in the images follow the marker rate",
            f"one is due every {step:.2f} frames: check both rates",
        )
    x = flashes.middle[good] / rate
    late = period * number[good] - x
    half = (flashes.half[good] + 3.0 * flashes.sd[good]) / rate
    if np.median(flashes.half[good]) < np.median(flashes.sd[good]):
        sd = np.hypot(flashes.sd[good], flashes.half[good] / np.sqrt(3.0)) / rate
        mean, cov, span = _by_line(x, late, sd, stated.drift_sd)
    else:
        mean, cov, span = _by_region(x, late, half, stated.drift_sd)
    base = mean[0] + float(sample_times[0])
    near = int(np.rint((stated.offset - base) / period))
    reach = int(np.ceil(WINDOW * stated.offset_sd / period))
    shift = np.arange(near - reach, near + reach + 1)
    offsets = base + period * shift
    value = -0.5 * np.square((offsets - stated.offset) / max(stated.offset_sd, 1e-12))
    value = value + MISSED * _missed(offsets, mean[1], rate, frames, sample_times, number, shift)
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
        clear(value),
        float(good.mean()),
    )


def clear(log_likelihood: Array) -> bool:
    """Whether the best candidate leads the second by enough to be believed."""
    ranked = np.sort(log_likelihood)
    return ranked.size == 1 or bool(ranked[-1] - ranked[-2] >= CLEAR)


def _numbered(
    middle: Array, step: float, drift_sd: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Number of each flash counted in marker samples, and whether it keeps the rhythm.

    The phase is followed from flash to flash, so that a drift of many frames over a long record
    cannot slip a sample.
    """
    reach = STRAY + 0.5
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
    x: Array, late: Array, half: Array, drift_sd: float
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
        drift = np.linspace(low, high, DRIFTS)
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
    held = weight > 0.0
    return mean, covariance, (float(low[held].min()), float(high[held].max()))


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
