"""The event that all channels of a recording share, its first arrival in each, and blocks that a
recorder wrote twice.

An arrival is where the sound stops being what it was before: the samples are predicted from those
before them by an autoregression of the quiet, and the split of what is left of them into two parts
of unlike variance is judged by an information criterion (Sleeman and van Eck, Phys. Earth Planet.
Inter. 113 (1999) 265, from memory). The criterion's weights over all splits give the arrival's
standard deviation as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_toeplitz
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from lashwave.points.clock_sound.clock_settings import SOUND, SoundSettings
from lashwave.quantities import Array, Index, Mask

WINDOW = 64
"""Samples that must be alike for a block to be looked at as written twice."""
DISTINCT = 8
"""Values that they hold at least: silence and slow steps repeat by themselves."""


@dataclass(frozen=True)
class RepeatedBlock:
    """Samples of a recording that are a copy of those before them, in every channel."""

    first: int
    """Its first sample."""
    length: int
    """[samples]; it copies as many before it."""


def repeated_blocks(samples: Array) -> tuple[RepeatedBlock, ...]:
    """Blocks of a recording (N, C), no unit, that are the block before, written again.

    A signal that repeats by itself, as a test tone does, is none: it would do so throughout.
    """
    x = np.asarray(samples)
    count = x.shape[0] - WINDOW
    if count < 2 * WINDOW:
        return ()
    loudest = x[:, int(np.argmax(np.std(x, axis=0)))]
    lags = _lags(loudest, count)
    found: list[RepeatedBlock] = []
    for lag in lags:
        alike = np.concatenate([[False], (x[lag:] == x[:-lag]).all(axis=1), [False]])
        edges = np.flatnonzero(np.diff(alike.view(np.int8)))
        runs = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= lag - 1]
        if sum(b - a for a, b in runs) > 0.5 * x.shape[0]:
            continue
        for a, b in runs:
            if len(np.unique(loudest[a : a + lag])) >= DISTINCT:
                found.append(RepeatedBlock(int(a + lag), int(b - a)))
    return tuple(sorted(found, key=lambda block: block.first))


def _lags(x: Array, count: int) -> list[int]:
    """Distances at which WINDOW samples of x (N,) come again next, the most frequent first."""
    weight = np.random.default_rng(0).integers(1, 2**62, WINDOW, dtype=np.uint64)
    whole = np.asarray(x, dtype=np.float64).view(np.uint64)
    key = np.zeros(count, dtype=np.uint64)
    for k in range(WINDOW):
        key += weight[k] * (whole[k : k + count] ^ np.uint64(0x9E3779B97F4A7C15))
    order = np.argsort(key, kind="stable")
    same = key[order[1:]] == key[order[:-1]]
    gap = (order[1:] - order[:-1])[same]
    gap = gap[gap >= WINDOW]
    lag, times = np.unique(gap, return_counts=True)
    often = np.argsort(-times)[:8]
    return [int(v) for v, n in zip(lag[often], times[often], strict=True) if n >= WINDOW]


def common_event(
    samples: Array,
    rate: float,
    blocks: tuple[RepeatedBlock, ...] = (),
    settings: SoundSettings = SOUND,
) -> float | None:
    """When the clearest event of a recording begins in most of its channels [s]; None for none.

    Parameters
    ----------
    samples : (N, C), any unit; rate : [Hz].
    blocks : what lies in them is no event.
    """
    step = max(int(settings.hop * rate), 1)
    copied = np.zeros(len(samples) // step, dtype=bool)
    for block in blocks:
        copied[block.first // step : (block.first + block.length - 1) // step] = True
    rises = np.stack([_rise(x, step, rate, copied, settings) for x in np.asarray(samples, float).T])
    reach = 2 * int(np.ceil(settings.reach * rate / step)) + 1
    together = maximum_filter1d(rises, reach, axis=1).sum(axis=0)
    # Of moments that see the same arrivals, the one nearest to most of them.
    score = together + 1e-3 * rises.sum(axis=0)
    best = int(np.argmax(score))
    if rises[:, max(best - reach // 2, 0) : best + reach // 2 + 1].max() < np.log(settings.louder):
        return None
    return float(best * step / rate)


def _rise(x: Array, step: int, rate: float, copied: Mask, settings: SoundSettings) -> Array:
    """(N // step,) log of the loudness just after each moment over that before it, 0 at least,
    times its share of the channel's loudest."""
    count = x.size // step
    if count < 4:
        return np.zeros(count)
    # Differences leave the rumble out of it, which is louder than many a first arrival.
    power = np.square(np.diff(x, append=x[-1:]))[: count * step].reshape(count, step).mean(axis=1)
    power += 1e-2 * float(np.median(power)) + 1e-300
    before = max(int(settings.lead * rate) // step, 4)
    usual = lfilter(np.full(before, 1.0 / before), [1.0], power)
    rise = 0.5 * np.log(power / np.concatenate([usual[:1], usual[:-1]]))
    rise[:before] = 0.0
    ring = max(int(settings.ring * rate) // step, 1)
    loud = np.abs(x - np.median(x))[: count * step].reshape(count, step).max(axis=1)
    loud[copied] = 0.0
    loud = maximum_filter1d(loud, ring, origin=-(ring // 2))
    return np.asarray(np.where(copied, 0.0, np.maximum(rise, 0.0)) * loud / max(loud.max(), 1e-300))


def first_arrival(
    samples: Array, rate: float, about: float, settings: SoundSettings = SOUND
) -> tuple[float, float] | None:
    """When a sound first arrives near a moment, and its standard deviation [s].

    Parameters
    ----------
    samples : (N,), any unit; about : [s]; it is looked for from `reach` before to `reach` after.

    Returns
    -------
    None where what follows is not louder, by `louder`, than what was before.
    """
    x = np.asarray(samples, dtype=float)
    wide = int((settings.reach + settings.lead) * rate)
    first = max(int(about * rate) - wide, 0)
    last = min(int((about + settings.reach) * rate) + 1, x.size)
    quiet = int(settings.lead * rate)
    if last - first < quiet + 16:
        return None
    part = x[first:last]
    rest = _unpredicted(part, quiet)
    split, weight = _splits(rest)
    at = float(weight @ split)
    sd = float(np.sqrt(weight @ (split - at) ** 2))
    k, short = round(at), max(int(settings.ring * rate) // 2, 8)
    before, after = float(np.std(rest[max(k - quiet, 0) : k])), float(np.std(rest[k : k + short]))
    if after < settings.louder * max(before, 1e-300):
        return None
    return (first + at) / rate, float(np.hypot(sd / rate, settings.swell_sd))


def _unpredicted(x: Array, quiet: int, order: int = 8) -> Array:
    """(N,) samples less what the eight before each predict, as learnt in the first `quiet`."""
    part = x[:quiet] - x[:quiet].mean()
    lags = np.array([part[: part.size - k] @ part[k:] for k in range(order + 1)]) / part.size
    lags[0] = lags[0] * (1.0 + 1e-6) + 1e-12
    predict = solve_toeplitz(lags[:-1], lags[1:])
    return np.asarray(
        lfilter(np.concatenate([[1.0], -predict]), [1.0], x - x[:quiet].mean())[order:]
    )


def _splits(x: Array) -> tuple[Index, Array]:
    """Splits (K,) of samples into two parts of their own variance, and their weights (K,)."""
    n = x.size
    k = np.arange(8, n - 8)
    squares = np.cumsum(np.square(x))
    tiny = 1e-12 * float(squares[-1]) / n + 1e-300
    left, right = squares[k - 1] / k, (squares[-1] - squares[k - 1]) / (n - k)
    score = k * np.log(np.maximum(left, tiny)) + (n - k) * np.log(np.maximum(right, tiny))
    weight = np.exp(-0.5 * (score - score.min()))
    # The first eight samples are used up by the prediction.
    return k + 8, weight / weight.sum()
