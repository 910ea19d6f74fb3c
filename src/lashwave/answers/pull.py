"""How hard did the line pull behind the grip?

Draws of the tension jitter from one time to the next, and the estimate itself trembles with a
period of some milliseconds, where the true pull of most throws rises and falls over tens of
milliseconds; but where the line's recoil reaches the grip it rises by half within one. So the span
of the smoothing is chosen time by time, by the rule of Lepski (Theory Probab. Appl. 35 (1991) 454;
from memory): the widest whose central value agrees with those of all narrower ones within their
own standard deviations.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import savgol_filter

from lashwave.answers.momentum import peak_time
from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]

PULL_REACH = 0.02
"""How far beyond the grip the pull is asked for [m]. Next to a clamp the line bends, within
sqrt(EI / T), some millimetres to two centimetres, and there its tension rises from what the
grip's direction leaves of the pull to the pull itself."""
READ = (0.035, 0.11)
"""Between these distances beyond the grip [m] it is read, and carried back along a straight line:
the estimate's links are coarser than that bend. At 2 cm itself, one twin trial of four (seeds under
40) had a tenth too little throughout."""
SPANS = (0.6e-3, 1e-3, 1.7e-3, 2.8e-3, 4.7e-3, 8e-3, 13.5e-3)
"""Over which a parabola smooths [s]."""
STEP = 1e-4
"""Of the even times on which that is done [s]."""
AGREE = 0.8
"""Standard deviations within which spans must agree. Six twin throws (seeds under 40) hardly tell
0.6 from 1.3; their peaks came out 1, 1, 1, 3, 12 and 12 % off."""
PULL_DOUBT = 0.05
"""Standard deviation, logarithmic, added to the peak of the pull: in one of those throws a peak of
5 ms was blunted by the estimate's own grid of times."""


def grip_tension(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], pull `PULL_REACH` after the grip, smoothed; nan where no tension is known."""
    weight = reading(draws, grip_end)
    if not weight.any():
        return np.full(draws.tension.shape[:2], np.nan)
    held = weight != 0.0
    return smoothed(draws.time, draws.tension[:, :, held] @ weight[held])


def reading(draws: Draws, grip_end: float) -> Array:
    """(S,) weights of the stations' tensions in the pull; 0 throughout where none is known.

    Those of the straight line through the stations within `READ` at `PULL_REACH`; where there are
    fewer than two, the first station from `PULL_REACH` on has all the weight.
    """
    beyond = draws.station - grip_end
    known = np.isfinite(draws.tension).all(axis=(0, 1))
    weight = np.zeros(beyond.size)
    within = known & (beyond >= READ[0]) & (beyond <= READ[1])
    if within.sum() >= 2:
        line = np.stack([np.ones(within.sum()), beyond[within] - PULL_REACH])
        weight[within] = np.linalg.pinv(line)[:, 0]
        return weight
    first = known & (beyond >= min(PULL_REACH, beyond[-1]) - 1e-9)
    if first.any():
        weight[int(first.argmax())] = 1.0
    return weight


def smoothed(times: Array, values: Array) -> Array:
    """Draws (D, K), linear in time, each smoothed over the span that `SPANS` and `AGREE` choose."""
    even = np.arange(times[0], times[-1] + STEP, STEP)
    fine = np.array([np.interp(even, times, row) for row in values])
    chosen = values.copy()
    low, high = np.full(times.size, -np.inf), np.full(times.size, np.inf)
    agreed = np.ones(times.size, dtype=bool)
    for span in SPANS:
        curve = _parabolas(fine, span)
        here = np.array([np.interp(times, even, row) for row in curve])
        middle, doubt = np.median(here, axis=0), AGREE * here.std(axis=0)
        low, high = np.maximum(low, middle - doubt), np.minimum(high, middle + doubt)
        agreed &= low <= high
        chosen[:, agreed] = here[:, agreed]
    return chosen


def _parabolas(fine: Array, span: float) -> Array:
    """Rows smoothed by parabolas (Savitzky and Golay, Anal. Chem. 36 (1964) 1627)."""
    window = min(2 * round(0.5 * span / STEP) + 1, (fine.shape[1] - 1) // 2 * 2 + 1)
    return np.asarray(savgol_filter(fine, window, min(2, window - 1), axis=1))


def peak_pull(times: Array, pull: Array, until: Array) -> Array:
    """(D,) [N], pull of (D, K) when its median is greatest, with what is known of its fault.

    Each draw's own greatest value would be the greatest of many that jitter, and too large. Draw d
    is asked up to its own time `until` (D,) [s].
    """
    doubt = np.random.default_rng(0).standard_normal(pull.shape[0])
    middle = np.median(pull, axis=0)[None]
    top = peak_time(times, middle, np.array([np.median(until)]))[0]
    at = np.array(
        [np.interp(min(top, end), times, row) for end, row in zip(until, pull, strict=True)]
    )
    return np.asarray(at * np.exp(PULL_DOUBT * doubt))
