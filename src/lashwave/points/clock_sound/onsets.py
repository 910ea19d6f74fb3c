"""Sound of one impulse in a microphone's samples: when it begins, how high it rises, what is wrong.

The onset is where the straight leading edge, carried back, meets the quiet before it. Where the
edge begins at all is found by the least of an information criterion (Maeda, Zisin 38 (1985) 365,
from memory): the split of the record at which a quiet part and a loud part, each with its own
variance, explain it best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.points.clock_sound.clock_settings import SOUND, SoundSettings
from lashwave.quantities import Array

REFERENCE = 20e-6
"""[Pa]; 0 dB of sound pressure in air (ISO 1683)."""


@dataclass(frozen=True)
class Impulse:
    """What one channel recorded of an impulse."""

    time: float
    """Onset [s] since the first sample."""
    sd: float
    """[s]"""
    peak: float
    """Largest pressure either way within 5 ms of the onset, with its sign, in the samples' unit."""
    peak_sd: float
    noise: float
    """Standard deviation of the quiet, in the samples' unit."""
    clipped: bool
    """The peak is a lower bound."""
    notes: tuple[str, ...] = ()


def sound_level(pressure: ArrayLike) -> Array:
    """Peak level [dB re 20 uPa] of peak pressures (...,) [Pa], by definition."""
    return np.asarray(20.0 * np.log10(np.abs(np.asarray(pressure, dtype=float)) / REFERENCE))


def clipped_samples(samples: ArrayLike, full_scale: float | None = None) -> int:
    """How many samples (N,) were cut off, by the recorder's full scale or by their flat tops.

    Parameters
    ----------
    samples : (N,) any unit, [Pa] or [V]; full_scale : of the recorder, in the same unit.

    Notes
    -----
    A flat top is a run of three or more at the channel's own largest or smallest value. Small
    whole-number signals are flat at their top by rounding: the spread must be over 64 steps.
    """
    x = np.asarray(samples, dtype=float)
    if full_scale is not None:
        return int(np.count_nonzero((x >= full_scale) | (x < -full_scale)))
    if x.size < 3 or np.unique(x).size < 64:
        return 0
    high, low = x == x.max(), x == x.min()
    flat = [_flat(high), _flat(low)]
    if any(flat) and abs(x.max() + x.min()) < 1e-3 * np.ptp(x):
        return int(np.count_nonzero(high | low))  # cut off at full scale, both ways
    return sum(flat)


def _flat(at: NDArray[np.bool_]) -> int:
    """Samples at an extreme if three of them follow one another, else none."""
    runs = at[2:] & at[1:-1] & at[:-2]
    return int(np.count_nonzero(at)) if runs.any() else 0


def impulse(
    samples: ArrayLike,
    rate: float,
    between: tuple[float, float] | None = None,
    full_scale: float | None = None,
    settings: SoundSettings = SOUND,
) -> Impulse | None:
    """The loudest impulse of a channel; None where nothing rises above the quiet.

    Parameters
    ----------
    samples : (N,), any unit; rate : [Hz].
    between : [s], where to look for the loudest sample; everywhere by default. Give it where
        other events are louder, as around the predicted arrival.
    full_scale : of the recorder, in the samples' unit.

    Notes
    -----
    The sd holds for an edge that is straight from a sixteenth to five sixths of its height; an edge
    faster than the samples is known to its interval, sd one sample / sqrt(12). What the microphone
    delays (a 70 kHz roll-off of second order: 3 us) is not in it.
    """
    x = np.asarray(samples, dtype=float)
    first, last = 0, x.size
    if between is not None:
        first, last = (int(np.clip(round(t * rate), 0, x.size)) for t in between)
    if last - first < 8:
        return None
    base = float(np.median(x[first:last]))
    peak = first + int(np.abs(x[first:last] - base).argmax())
    base, noise = _quiet(x, peak, rate, settings)
    x = x - base
    if abs(x[peak]) <= settings.trigger * noise:
        return None
    trigger = _trigger(x, peak, noise, rate, settings)
    notes = [] if trigger > 4 else ["the record begins with the impulse: no quiet before it"]
    top = _first_top(x, trigger, noise, rate, settings)
    if notes:
        time, sd = trigger / rate, max(top - trigger, 1) / rate
    else:
        time, sd = _edge(x, trigger, top, noise, rate, settings)
    ring = x[max(trigger - 1, 0) : trigger + int(settings.ring * rate) + 1]
    cut = clipped_samples(x + base, full_scale)
    if cut:
        notes.append(f"{cut} samples are cut off: the peak is a lower bound")
    height = float(ring[int(np.abs(ring).argmax())])
    return Impulse(time, sd, height, noise, noise, bool(cut), tuple(notes))


def _quiet(x: Array, peak: int, rate: float, settings: SoundSettings) -> tuple[float, float]:
    """Median and robust standard deviation of the samples before an impulse.

    Up to BEFORE of them, less the last RISE; of the whole record where they are under 64.
    """
    before = x[
        max(peak - int(settings.before * rate), 0) : max(peak - int(settings.rise * rate), 0)
    ]
    part = before if before.size >= 64 else x
    base = float(np.median(part))
    # A whole-number record may be still in its quiet part: rounding alone is 1 / sqrt(12).
    step = float(np.min(np.diff(np.unique(part)), initial=np.inf))
    rounding = step / np.sqrt(12.0) if np.isfinite(step) else 0.0
    return base, max(1.4826 * float(np.median(np.abs(part - base))), rounding, 1e-300)


def _trigger(x: Array, peak: int, noise: float, rate: float, settings: SoundSettings) -> int:
    """First sample over the trigger of the impulse that holds the peak."""
    loud = np.flatnonzero(np.abs(x[: peak + 1]) > settings.trigger * noise)
    breaks = np.flatnonzero(np.diff(loud) > max(int(settings.quiet * rate), 8))
    return int(loud[breaks[-1] + 1]) if breaks.size else int(loud[0])


def _first_top(x: Array, trigger: int, noise: float, rate: float, settings: SoundSettings) -> int:
    """The first extreme after the trigger that the signal leaves by over a quarter, or RISE."""
    sign = np.sign(x[trigger])
    part = sign * x[trigger : trigger + max(int(settings.rise * rate), 4)]
    highest = np.maximum.accumulate(part)
    fallen = np.flatnonzero(part < highest - np.maximum(0.25 * highest, 4.0 * noise))
    end = int(fallen[0]) if fallen.size else part.size
    return trigger + int(part[:end].argmax())


def _aic(x: Array) -> int:
    """Last sample of the quiet: k log var(x[:k]) + (n - k - 1) log var(x[k:]) at its least."""
    n = x.size
    k = np.arange(4, n - 1)
    total, squares = np.cumsum(x), np.cumsum(x * x)
    left = squares[k - 1] / k - (total[k - 1] / k) ** 2
    right = (squares[-1] - squares[k - 1]) / (n - k)
    right -= ((total[-1] - total[k - 1]) / (n - k)) ** 2
    tiny = 1e-12 * max(float(squares[-1]) / n, 1e-300)
    score = k * np.log(np.maximum(left, tiny)) + (n - k - 1) * np.log(np.maximum(right, tiny))
    return int(k[score.argmin()]) - 1


def _edge(
    x: Array, trigger: int, top: int, noise: float, rate: float, settings: SoundSettings
) -> tuple[float, float]:
    """Onset and its sd [s]: the leading edge carried back to the base."""
    sign, height = np.sign(x[top]), abs(x[top])
    start = max(trigger - max(int(settings.rise * rate), 16), 0)
    foot = start + _aic(x[start : top + 3]) if top + 3 - start > 8 else trigger - 1
    low = max(height / 16.0, 3.0 * noise)
    rise = np.arange(max(min(foot, trigger) - 1, 0), top + 1)
    value = sign * x[rise]
    below = np.flatnonzero(value <= low)
    rise = rise[below[-1] :] if below.size else rise
    value = sign * x[rise]
    for share in (5.0 / 6.0, 0.95):  # nearer to the top only where the edge has few samples
        band = (value > low) & (value < share * height)
        at, level_there = rise[band].astype(float), value[band]
        if at.size >= 2:
            break
    if at.size < 2:
        # The edge begins between the last sample below and the first above. Where that one is
        # part of the way up, the next one bounds the slope from below.
        over = float(rise[np.flatnonzero(value > low)[0]])
        if at.size == 0:
            return (over - 0.5) / rate, 1.0 / np.sqrt(12.0) / rate
        climb = max(float(sign * x[int(at[0]) + 1]) - float(level_there[0]), 1e-12)
        open_ = min(1.0, float(level_there[0]) / climb)
        # A slower edge is likelier to be caught on its way, so two thirds of the span back.
        return (over - 2.0 / 3.0 * open_) / rate, open_ / np.sqrt(12.0) / rate
    middle = at.mean()
    spread = float(((at - middle) ** 2).sum())
    slope = float(((at - middle) * level_there).sum()) / spread
    if slope <= 0.0:
        return foot / rate, (top - foot) / rate
    back = level_there.mean() / slope
    sd = noise / slope * np.sqrt(1.0 / at.size + back**2 / spread)
    time = middle - back
    apart = max(abs(time - foot) - 3.0, 0.0)  # the two ways to find it disagree
    return time / rate, float(np.hypot(sd, 0.5 * apart)) / rate
