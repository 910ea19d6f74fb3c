"""Marker samples onto one uniform clock: the rate of a column of times, and what lies off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array

OFF_RATE = 0.1
"""How far a time may lie off the uniform rate [samples]; the trial format's figure."""


@dataclass(frozen=True)
class UniformClock:
    """A uniform clock through a column of times."""

    first: float
    """[s]"""
    rate: float
    """[Hz]"""
    count: int
    """Samples from first to last."""
    sample: NDArray[np.int64]
    """(R,) sample of each row."""
    off: Array
    """(R,) distance of each row from its sample, in samples."""

    @property
    def time(self) -> Array:
        """(count,) [s]"""
        return self.first + np.arange(self.count) / self.rate


def fit(times: Array) -> UniformClock | None:
    """The uniform clock that a column of times, in any order and with gaps, lies on.

    The step is the usual one of the shorter distances of neighbouring times, refined by a
    least-squares line through time against sample; a rate that the times cannot tell from a whole
    number is that number. None where the times are all one.
    """
    unique = np.unique(times)
    steps = np.diff(unique)
    # One sample's rows may differ in the last digit: such steps are not samples.
    steps = steps[steps > 0.05 * np.quantile(steps, 0.9)] if steps.size else steps
    if steps.size == 0:
        return None
    # Where most samples are lost the usual step is two or more: the short ones are judged.
    step = float(np.median(steps[steps < 1.5 * np.quantile(steps, 0.2)]))
    origin = float(unique[0])
    for _ in range(3):
        # Number by neighbouring distances, so that a step known to 1 % does not slip over a gap
        # of fifty samples, and not at all where there is none.
        number = np.concatenate([[0], np.cumsum(np.rint(np.diff(unique) / step))])
        middle, mean = number.mean(), unique.mean()
        spread = ((number - middle) ** 2).sum()
        if spread == 0:
            return None
        step = float(((number - middle) * (unique - mean)).sum() / spread)
        origin = float(mean - step * middle)
    rate = 1.0 / step
    whole = round(rate)
    scatter = float((unique - origin - step * number).std())
    doubt = 6 * scatter / float(np.sqrt(spread)) + 1e-12 * step
    if whole > 0 and abs(step - 1.0 / whole) < doubt:
        rate, step = float(whole), 1.0 / whole
        origin = float((unique - number * step).mean())
    place = (times - origin) / step
    sample = np.rint(place).astype(np.int64)
    lowest = int(sample.min())
    return UniformClock(
        first=_plain(origin + lowest * step, step),
        rate=rate,
        count=int(sample.max()) - lowest + 1,
        sample=sample - lowest,
        off=place - sample,
    )


def _plain(value: float, step: float) -> float:
    """A first time without the rounding of a mean, where it is within 1e-6 of a sample of it."""
    rounded = round(value, 9)
    return rounded if abs(rounded - value) < 1e-6 * step else value
