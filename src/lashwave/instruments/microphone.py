"""What a microphone records of a moving source: pressure by retarded times, band, noise, clipping.

Pressure is the sum over the source's path of strength / (R |1 - M_r|), each share at its arrival
tau + R / c (see `wavelets`). It is laid into samples by arrival, so that times at which several
parts of the path arrive together need no search, and the pile-up stays finite by the band of the
microphone. The size is an order only: the strength of a real crack is unknown, a
point is no body, and nothing steepens on the way. Absorption (ISO 9613-1) and echoes are
left out; over 2 m absorption takes 1 dB at 20 kHz and 7 dB at 100 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import butter, sosfilt

from lashwave.instruments.wavelets import SoundSource, arrival
from lashwave.quantities.arrays import Array

OVERSAMPLING = 8


@dataclass(frozen=True)
class Hearing:
    """A microphone with its amplifier and recorder."""

    rate: float = 200e3
    """Samples a second [Hz]."""
    sensitivity: float = 1e-3
    """[V/Pa]"""
    low: float = 15.0
    """Lower band edge, -3 dB [Hz]: pressure at rest is not heard."""
    high: float = 70e3
    """Upper band edge, -3 dB [Hz]; its delay is about 1 / (2 pi high) an order, 7 us in all."""
    noise: float = 1.0
    """Standard deviation of a sample [Pa]."""
    clip: float = 1.0
    """Largest voltage either way [V]; more is cut off."""


def pressure(source: SoundSource, place: ArrayLike, times: Array, sound: float) -> Array:
    """Mean pressure [Pa] over each sample at `place` (3,), before any band limit.

    Parameters
    ----------
    times : (K,) [s], middles of the samples, evenly spaced.

    Every pair of neighbouring wavelets spreads its share evenly between its two arrivals, so the
    integral over time is exact, however few the emission times.
    """
    arrive, distance = arrival(source, place, sound)
    step = np.diff(source.time, axis=0)
    share = source.strength / distance
    share = 0.5 * (share[1:] + share[:-1]) * step
    first = np.minimum(arrive[1:], arrive[:-1])
    last = np.maximum(arrive[1:], arrive[:-1])
    period = (times[-1] - times[0]) / (times.size - 1)
    start = times[0] - 0.5 * period
    # The heard impulse up to each sample's edge is a sum of ramps, each a difference of two
    # piecewise parabolas' slopes: put every ramp's two corners into the samples and sum twice.
    width = np.maximum(last - first, 1e-3 * period)
    slope = share / width
    edges = times.size + 1
    corner = np.zeros(edges + 1)
    level = np.zeros(edges + 1)
    for moment, sign in ((first, 1.0), (first + width, -1.0)):
        place_in = (moment - start).ravel() / period
        index = np.floor(place_in)
        keep = index < edges - 1
        before = keep & (index < 0)
        index = np.where(before, 0.0, index + 1.0)[keep].astype(np.int64)
        lead = (index - place_in[keep]) * period
        gain = sign * slope.ravel()[keep]
        corner += np.bincount(index, gain, minlength=edges + 1)
        level += np.bincount(index, gain * lead, minlength=edges + 1)
    heard = np.cumsum(level) + period * (np.cumsum(np.cumsum(corner)) - np.cumsum(corner))
    return np.asarray(np.diff(heard[:edges]) / period)


def record(
    source: SoundSource,
    place: ArrayLike,
    hearing: Hearing,
    first: float,
    count: int,
    sound: float,
    rng: np.random.Generator | None = None,
) -> Array:
    """Voltage (count,) [V] of a microphone at `place` (3,) from lab time `first` [s] on.

    Without a generator no noise is added. Filters run forward alone, as a real one's do.
    """
    fine_rate = hearing.rate * OVERSAMPLING
    lead = int(0.02 * fine_rate)  # the low edge settles before the first sample
    fine = first + (np.arange(count * OVERSAMPLING + lead) - lead) / fine_rate
    heard = pressure(source, place, fine, sound)
    heard = sosfilt(butter(2, hearing.high, fs=fine_rate, output="sos"), heard)
    heard = sosfilt(butter(1, hearing.low, "high", fs=fine_rate, output="sos"), heard)
    heard = heard[lead::OVERSAMPLING][:count]
    if rng is not None:
        heard = heard + hearing.noise * rng.standard_normal(count)
    return np.asarray(np.clip(hearing.sensitivity * heard, -hearing.clip, hearing.clip))
