"""What draws say of one number: its median, its central 95 % interval, how likely an event is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import Array


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

    Linear between order statistics, as `numpy.quantile`; nan draws are left out.

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
    place = level * np.maximum(count - 1, 0)
    left = place.astype(np.intp)
    right = np.minimum(left + 1, np.maximum(count - 1, 0))
    a = np.take_along_axis(ordered, left[..., None], axis=-1)[..., 0].astype(float)
    b = np.take_along_axis(ordered, right[..., None], axis=-1)[..., 0].astype(float)
    return np.asarray(a + (place - left) * (b - a))
