"""What draws say of one number: its median, its central 95 % interval, how likely an event is.

The k-th smallest of D draws stands at k / (D + 1) of their law, in the mean over all laws, so that
an interval read off there holds one draw more 95 times in a hundred (Hyndman and Fan, The American
Statistician 50 (1996) 361, definition 6). Read off at (k - 1) / (D - 1), as is usual, it is too
narrow: 120 draws hold 93.4 %, 30 hold 89.6 %.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array


def bounded(share: float, draws: int) -> float:
    """A share of `draws` draws as a probability; nan where there are none."""
    return float(bounded_all(np.array(share), np.array(draws)))


def bounded_all(share: Array, draws: Array) -> Array:
    """The same of arrays [1] of any shape that broadcast; under six draws say a half at most."""
    least = np.minimum(3.0 / np.maximum(draws, 1), 0.5)
    return np.where(np.asarray(draws) > 0, np.clip(share, least, 1.0 - least), np.nan)


def said(share: float, draws: int) -> str:
    """`0.42`, or `over 0.97` and `under 0.03` where draws cannot tell more."""
    least = min(3.0 / max(draws, 1), 0.5)
    if share <= least:
        return f"under {np.ceil(100 * least) / 100:.2f}"
    if share >= 1.0 - least:
        return f"over {np.floor(100 * (1.0 - least)) / 100:.2f}"
    return f"{share:.2f}"


LEVELS = (0.025, 0.5, 0.975)


def band(draws: NDArray[np.floating], least: float = 0.5) -> tuple[Array, Array, Array]:
    """Low, median and high of draws (D, ...); nan where under `least` of them are finite.

    Linear between order statistics, and on past the outermost two where there are under 39 draws:
    30 hold 94 %, 10 hold 88 %. nan draws are left out.

    All three have the unit of the draws, as [N] or [m/s].
    """
    return last_axis_band(np.moveaxis(draws, 0, -1), least)


def last_axis_band(draws: NDArray[np.floating], least: float = 0.5) -> tuple[Array, Array, Array]:
    """The same of draws (..., D); quick where the array is contiguous so.

    Unit as that of the draws, as [N] or [m/s].
    """
    ordered = np.sort(draws, axis=-1)  # nan last
    count = np.isfinite(ordered).sum(axis=-1)
    low, middle, high = (_level(ordered, count, level) for level in LEVELS)
    few = count < max(1, int(np.ceil(least * draws.shape[-1])))
    for edge in (low, middle, high):
        edge[few] = np.nan
    return low, middle, high


def _level(ordered: NDArray[np.floating], count: NDArray[np.intp], level: float) -> Array:
    """One quantile of sorted draws of which the first `count` are finite."""
    place = level * (count + 1.0) - 1.0
    last = np.maximum(count - 1, 0)
    left = np.clip(np.floor(place), 0, np.maximum(last - 1, 0)).astype(np.intp)
    right = np.minimum(left + 1, last)
    a = np.take_along_axis(ordered, left[..., None], axis=-1)[..., 0].astype(float)
    b = np.take_along_axis(ordered, right[..., None], axis=-1)[..., 0].astype(float)
    return np.asarray(a + (place - left) * (b - a))
