"""How fast did the tip go, when, and how fast would a fast camera have read it?

Each question is asked of every draw of the motion, and the answer is the median of what the draws
say, with their central 95 %. The peak of the mean motion is not used: it is too low where draws
peak at different moments, and it has no interval. The peak of a draw as it is would be too high,
by 0.0, 1.7, 3.2 and 5.5 % in four twin throws (seeds 0, 12, 3, 1): the greatest of many speeds that
jitter. So near the peak the draws' speeds are smoothed as widely as they allow (`smoothing`), which
left -0.8, 0.4, -0.8 and 0.5 %; in 36 others -0.7 % in the mean, where it was 1.1 % in twelve.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.answers import between_times
from lashwave.answers.smoothing import ENOUGH, smoothed
from lashwave.quantities import Array, Draws, TipDraws, interpolate

CAMERA_SPAN = 100e-6
"""Two frames of a fast camera [s]: the span of `peak_tip_speed_100us`."""
NEAR_PEAK = 0.8
"""A peak inside an interval is looked for where an end has this share of the greatest grid speed;
a grid on which speed rises by a quarter and falls again within one interval has no use."""


FINE = 5e-6
"""Times at which speeds are smoothed are this far apart [s] ..."""
SPANS = (20e-6, 35e-6, 60e-6, 100e-6, 170e-6, 300e-6)
"""... over these spans [s] ..."""
AROUND = 1.5e-3
"""... and so far to either side of the peak [s]; all three grow with the draws' own grid of times
where that is coarser than ..."""
GRID = 25e-6
"""... this [s], as in a slow swing."""


def tip_draws(draws: Draws) -> TipDraws:
    """The tip is the last station."""
    count = draws.position.shape[0]
    peak, when, over = np.empty(count), np.empty(count), np.empty(count)
    for d in range(count):
        tip = draws.position[d, :, -1].astype(float), draws.velocity[d, :, -1].astype(float)
        track = draws.time, *tip
        control = between_times.track_controls(*track)
        peak[d], when[d] = peak_speed(draws.time, control)
        over[d] = speed_over(*track, control, when[d])
    smooth = _smoothed_peak(draws, peak, when)
    jitter = np.divide(peak, smooth, out=np.ones(count), where=smooth > 0.0)
    return TipDraws(smooth, jitter, when, over)


def _smoothed_peak(draws: Draws, peak: Array, when: Array) -> Array:
    """Greatest smoothed speeds (D,); a draw that peaks elsewhere keeps its own."""
    if peak.size < ENOUGH:
        return peak
    middle = float(np.median(when))
    k = int(np.clip(np.searchsorted(draws.time, middle), 1, draws.time.size - 1))
    coarse = max(1.0, (draws.time[k] - draws.time[k - 1]) / GRID)
    first = max(draws.time[0], middle - AROUND * coarse)
    last = min(draws.time[-1], middle + AROUND * coarse)
    time = np.arange(first, last, FINE * coarse)
    own = (when >= first) & (when <= last)
    if own.sum() < ENOUGH or time.size < 3:
        return peak
    speed = np.array([_speed(draws, int(d), time) for d in np.flatnonzero(own)])
    smooth = smoothed(speed, FINE * coarse, [coarse * span for span in SPANS])
    found = peak.copy()
    found[own] = smooth.max(axis=1)
    return found


def _speed(draws: Draws, d: int, time: Array) -> Array:
    """(K,) [m/s] of the tip in draw d."""
    tip = draws.position[d, :, -1].astype(float), draws.velocity[d, :, -1].astype(float)
    return np.asarray(np.linalg.norm(interpolate(draws.time, *tip, time)[1], axis=-1))


def peak_speed(times: Array, control: Array) -> tuple[float, float]:
    """Greatest speed [m/s] of one point's motion, and its time [s].

    control : (K - 1, 3, 3), from `between.track_controls`.
    """
    ceiling = between_times.bound(control)
    reached = float(np.linalg.norm(control[:, ::2], axis=-1).max())
    # the ceiling of a piece whose speed peaks at its end may round to less than that peak
    left = np.flatnonzero(ceiling >= reached * (1.0 - 1e-12))
    speed = between_times.speeds(control[left])
    q, piece = np.unravel_index(int(speed.argmax()), speed.shape)
    k = left[q]
    when = times[k] + between_times.STEP[piece] * (times[k + 1] - times[k])
    return float(speed[q, piece]), float(when)


def speed_over(
    times: Array,
    position: Array,
    velocity: Array,
    control: Array,
    near: float,
    span: float = CAMERA_SPAN,
) -> float:
    """Largest distance between two places `span` apart in time, over `span` [m/s].

    position, velocity : (K, 3); control : of the same motion; near : a time near which to start
    to look [s], as that of the peak. nan where the record is shorter than `span`.
    """
    if times[-1] - times[0] < span:
        return float("nan")
    first = np.clip(near - span * np.linspace(0.0, 1.0, 21), times[0], times[-1] - span)
    least = _moved(times, position, velocity, first, span).max()
    # A span that covers more than `least` must touch an interval in which that speed is possible.
    wanted = between_times.bound(control) >= least / span
    reach = np.searchsorted(times, times[1:] + span, side="left")
    ahead = np.concatenate([[0], np.cumsum(wanted)])
    touched = ahead[np.minimum(reach, wanted.size)] > ahead[:-1]
    start = between_times.fine_times(times, touched)
    start = np.append(start[start <= times[-1] - span], times[-1] - span)
    return float(max(least, _moved(times, position, velocity, start, span).max()) / span)


def _moved(times: Array, position: Array, velocity: Array, start: Array, span: float) -> Array:
    """Distance [m] between the places at `start` and `start + span`."""
    before, _ = interpolate(times, position, velocity, start)
    after, _ = interpolate(times, position, velocity, start + span)
    return np.asarray(np.linalg.norm(after - before, axis=-1))


def peak_anywhere(draws: Draws, speed: NDArray[np.floating], jitter: Array) -> Array:
    """(D,) [m/s], the greatest speed of any station.

    speed : (D, K, S) [m/s] at the grid times. jitter : of `TipDraws`; as the tip, so the station.
    """
    peak = np.empty(speed.shape[0])
    for d in range(peak.size):
        grid = np.maximum(speed[d, :-1], speed[d, 1:])
        reached = float(grid.max())
        k, s = np.nonzero(grid >= NEAR_PEAK * reached)
        control = station_controls(draws, d, k, s)
        open_still = between_times.bound(control) >= reached
        inner = between_times.speeds(control[open_still])
        peak[d] = max(reached, float(inner.max(initial=0.0)))
    return peak / jitter


def station_controls(draws: Draws, d: int, k: NDArray[np.intp], s: NDArray[np.intp]) -> Array:
    """Velocity control points (Q, 3, 3) [m/s] of draw d in intervals k (Q,) at stations s (Q,)."""
    position = np.stack([draws.position[d, k, s], draws.position[d, k + 1, s]])
    velocity = np.stack([draws.velocity[d, k, s], draws.velocity[d, k + 1, s]])
    return between_times.controls(draws.time[k + 1] - draws.time[k], position, velocity)
