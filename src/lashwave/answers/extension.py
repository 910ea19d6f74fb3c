"""When was the line longest, in this crack and before it?

The butt-to-tip distance has several maxima: an arm that swings stretches the line before the fold
runs. The crack's own is the largest after the last smallest distance before the tip's peak of
speed. A draw's distance wobbles by millimetres, so a smallest one counts where the distance is
greater by `WOBBLE` of the line on either side of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks

from lashwave.answers import between_times
from lashwave.quantities import Answer, Array, Draws, bounded, from_draws, interpolate

WOBBLE = 0.01
"""Share of the line's length."""


@dataclass(frozen=True)
class Extensions:
    """Times of each draw's largest distances; inf where that is at an end of its span of time: the
    event, if any, was not seen."""

    full: Array
    """(D,) [s], of this crack."""
    earlier: Array
    """(D,) [s], between the smallest distance of all and the one that this crack starts from."""


def extensions_of(draws: Draws, peak_time: Array) -> Extensions:
    """Both of every draw; peak_time : (D,) [s], when its tip is fastest."""
    span = draws.position[:, :, -1] - draws.position[:, :, 0]
    rate = draws.velocity[:, :, -1] - draws.velocity[:, :, 0]
    distance = np.linalg.norm(span, axis=-1)
    least = WOBBLE * float(draws.station[-1])
    full, earlier = np.full(peak_time.size, np.inf), np.full(peak_time.size, np.inf)
    last = draws.time.size - 1
    for d, along in enumerate(distance):
        peak = min(int(np.searchsorted(draws.time, peak_time[d])), last)
        low = last_smallest(along, peak, least)
        k = low + int(along[low:].argmax())
        if low < last:
            best = _between_times(draws.time, span[d], rate[d], k)
            full[d] = best if best < draws.time[-1] else np.inf
        first = int(along[: peak + 1].argmin())
        k = first + int(along[first : low + 1].argmax()) if first < low else low
        if first < k < low:
            earlier[d] = _between_times(draws.time, span[d], rate[d], k)
    return Extensions(full, earlier)


def last_smallest(distance: Array, peak: int, least: float) -> int:
    """Index of the last minimum of distance (K,) [m] up to index `peak` that stands `least` below
    what is on either side of it; the smallest of all up to there where there is none."""
    found, _ = find_peaks(-distance, prominence=least)
    found = found[found <= peak]
    return int(found[-1]) if found.size else int(distance[: peak + 1].argmin())


def _between_times(times: Array, span: Array, rate: Array, k: int) -> float:
    """Time [s] of the greatest distance in the intervals to either side of grid time k."""
    wanted = np.zeros(times.size - 1, dtype=bool)
    wanted[max(k - 1, 0) : k + 1] = True
    fine = between_times.fine_times(times, wanted)
    place, _ = interpolate(times, span, rate, fine)
    return float(fine[int(np.linalg.norm(place, axis=-1).argmax())])


def answers(found: Extensions) -> dict[str, Answer]:
    """`full_extension_time` and `earlier_extension_time`; null where most draws have none."""
    return {
        "full_extension_time": _one(
            found.full, "the butt-to-tip distance still grows at the end of the record"
        ),
        "earlier_extension_time": _one(
            found.earlier,
            "the smallest distance of all is the one that this crack starts from",
        ),
    }


def _one(when: Array, none: str) -> Answer:
    finite = np.isfinite(when)
    chance = bounded(float(finite.mean()), when.size)
    if finite.mean() < 0.5:
        return Answer(None, "s", probability=chance, reason=none)
    return from_draws(when, "s", chance)
