"""Where is the front of the wave, and how fast does it run along the line?

The front is where the line bends most. A rolling loop has the same curvature all round, so that
its greatest value stands anywhere on it; the front is therefore the middle, weighted by curvature,
of the bend around the greatest curvature: the stretch where it exceeds half of that. Its speed is
the slope of a straight fit to the front's stations over some grid times, so it is smoothed less
where the grid is finer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]

HALF_WINDOW = 4
"""Grid times to either side in a fit of the front's speed."""
JUMP = 0.1
"""Share of the line's length; a front that moves further between two grid times is another one."""
LEAST_BEND = 1.0
"""[1]; curvature times length below which the line counts as straight: a bend of under a radian
if it were spread over the whole line."""


@dataclass(frozen=True)
class FrontDraws:
    """Front of each draw; nan where there is none."""

    station: Array
    """(D, K) [m]"""
    speed: Array
    """(D, K) [m/s], along the line, toward the tip positive."""


def ask(draws: Draws, grip_end: float, every: int = 1) -> FrontDraws:
    """The front of each `every`-th draw, beyond station `grip_end` [m]."""
    station = np.stack(
        [
            front_station(draws.station, curvature(draws.station, position), grip_end)
            for position in draws.position[::every]
        ]
    )
    length = float(draws.station[-1] - draws.station[0])
    return FrontDraws(station, front_speed(draws.time, station, JUMP * length))


def curvature(station: Array, position: Array) -> Array:
    """Curvature [1/m] at each station, (K, S), of positions (K, S, 3); nan at both ends.

    Change of the chord's direction over the mean of the two chords' lengths, then averaged over
    three stations (1, 2, 1), which takes the zigzag of draws away.
    """
    chord = np.diff(position, axis=1)
    chord /= np.sqrt(np.einsum("ksi,ksi->ks", chord, chord))[..., None]
    turn = np.diff(chord, axis=1)
    sharp = np.sqrt(np.einsum("ksi,ksi->ks", turn, turn)) / (0.5 * (station[2:] - station[:-2]))
    bend = np.full(position.shape[:2], np.nan)
    bend[:, 2:-2] = 0.25 * (sharp[:, :-2] + 2.0 * sharp[:, 1:-1] + sharp[:, 2:])
    bend[:, [1, -2]] = sharp[:, [0, -1]]
    return bend


def front_station(station: Array, bend: Array, grip_end: float) -> Array:
    """Middle of the sharpest bend (K,) [m]; nan where the line is straight.

    bend : (K, S) [1/m], from `curvature`.
    """
    inside = station > grip_end
    inside[[0, -1]] = False
    bend = np.where(inside, np.nan_to_num(bend), 0.0)
    peak = bend.argmax(axis=1)
    rows, columns = np.arange(bend.shape[0]), np.arange(station.size)
    greatest = bend[rows, peak]
    apart = bend < 0.5 * greatest[:, None]
    first = np.maximum.accumulate(np.where(apart, columns, -1), axis=1)[rows, peak]
    after = np.where(apart, columns, station.size)[:, ::-1]
    last = np.minimum.accumulate(after, axis=1)[:, ::-1][rows, peak]
    within = (columns > first[:, None]) & (columns < last[:, None])
    weight = np.where(within, bend, 0.0) * np.gradient(station)
    length = station[-1] - station[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = weight @ station / weight.sum(axis=1)
    return np.where(greatest * length > LEAST_BEND, middle, np.nan)


def front_speed(times: Array, station: Array, jump: float) -> Array:
    """Slope (D, K) [m/s] of stations (D, K) over 2 HALF_WINDOW + 1 grid times.

    nan where the window leaves the record, has no front somewhere, or holds a jump.
    """
    speed = np.full(station.shape, np.nan)
    width = 2 * HALF_WINDOW + 1
    if times.size < width:
        return speed
    t = np.lib.stride_tricks.sliding_window_view(times, width)
    t = t - t.mean(axis=1, keepdims=True)
    weight = t / (t**2).sum(axis=1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(station, width, axis=1)
    slope = np.einsum("kw,dkw->dk", weight, windows)
    moved = np.abs(np.diff(station, axis=1))
    steps = np.lib.stride_tricks.sliding_window_view(moved, width - 1, axis=1)
    slope[(steps > jump).any(axis=-1)] = np.nan
    speed[:, HALF_WINDOW : times.size - HALF_WINDOW] = slope
    return speed
