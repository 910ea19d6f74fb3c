"""Clocks: the lab time of a frame, and what strobe flashes say about it.

Frame f of a camera stands for lab time offset + (1 + drift) f / rate at the middle of its
exposure. One flash falls at every marker sample; a flash is listed in the frame nearest in time
to its middle.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities import Array


def frame_time(rate: float, frames: ArrayLike, offset: float, drift: float = 0.0) -> Array:
    """Lab time [s] of frames (...,) of a camera of `rate` [Hz], `offset` [s], `drift` [1]."""
    return np.asarray(offset + (1.0 + drift) * np.asarray(frames, dtype=float) / rate)


def frame_at(rate: float, times: ArrayLike, offset: float, drift: float = 0.0) -> Array:
    """Frame number, as a real number, at lab times (...,) [s]: the inverse of `frame_time`."""
    return np.asarray((np.asarray(times, dtype=float) - offset) * rate / (1.0 + drift))


def flash_frames(
    rate: float, sample_times: ArrayLike, frames: int, offset: float, drift: float = 0.0
) -> NDArray[np.int64]:
    """(K,) frames 0 ... frames - 1 that have a flash, increasing.

    Parameters
    ----------
    rate : of the camera [Hz]; sample_times : (M,) [s], one flash at each.
    offset : of its clock [s]; drift : of its clock [1].
    """
    nearest = np.rint(frame_at(rate, sample_times, offset, drift)).astype(np.int64)
    return np.unique(nearest[(nearest >= 0) & (nearest < frames)])


class FlashBound(NamedTuple):
    """Clock offsets that the listed flashes allow."""

    intervals: Array
    """(I, 2) [s], low and high, increasing; none where no offset in the window fits any flash."""
    share: float
    """Share of the listed flashes that these offsets explain; under 1 some flash is wrong."""


def flash_bound(
    flashes: ArrayLike,
    rate: float,
    sample_times: ArrayLike,
    window: tuple[float, float],
    drift: float = 0.0,
    drift_sd: float = 0.0,
) -> FlashBound:
    """Clock offsets in `window` at which most listed flashes meet a marker sample.

    A flash in frame f allows the offsets within half a frame of t_m - (1 + drift) f / rate, for
    any sample m. All flashes together allow the intersection: a whole frame wide where the two
    rates keep step, narrower where they do not. Every such interval is reported, because the
    marker period makes the answer repeat.

    Parameters
    ----------
    flashes : (F,) frames; sample_times : (M,) [s]; window : lowest and highest offset [s].
    drift_sd : each bound is widened by what two of these move its frame.
    """
    flashes = np.asarray(flashes, dtype=float)
    centre = np.asarray(sample_times, dtype=float) - frame_time(rate, flashes, 0.0, drift)[:, None]
    half = (0.5 * (1.0 + drift) + 2.0 * drift_sd * np.abs(flashes)) / rate
    half = np.broadcast_to(half[:, None], centre.shape)
    low, high = window
    near = (centre + half > low) & (centre - half < high)
    centre, half = centre[near], half[near]
    if centre.size == 0:
        return FlashBound(np.empty((0, 2)), 0.0)
    # Rounding must not part intervals that touch exactly, as they do where the rates keep step.
    slack = 1e-9 / rate
    edges = np.concatenate([centre - half - slack, centre + half + slack])
    change = np.concatenate([np.ones(centre.size), -np.ones(centre.size)])
    order = np.argsort(edges, kind="stable")
    edges, count = edges[order], np.cumsum(change[order])
    best = np.flatnonzero(count[:-1] == count[:-1].max())
    found = np.column_stack([edges[best] + slack, edges[best + 1] - slack])
    found = np.clip(found, low, high)
    found = found[found[:, 1] >= found[:, 0]]
    return FlashBound(found, float(count[:-1].max() / flashes.size))
