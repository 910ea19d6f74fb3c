"""How hard did the line pull at the grip, and past the bend at the clamp?

The estimated tension trembles with a period of some milliseconds, where the true pull of most
throws rises and falls over tens of them; but where the line's recoil reaches the grip it rises by
half within one. So it is smoothed as widely as its draws allow (`smoothing`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.momentum import peak_time
from lashwave.answers.smoothing import smoothed
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
PULL_DOUBT = 0.05
"""Standard deviation, logarithmic, added to the peak of the pull. Of six twin throws (seeds under
40) it came out 1, 1, 1, 3, 12 and 12 % off: one of these peaks, of 5 ms, was blunted by the
estimate's own grid of times."""


def grip_tension(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], tension at the first node after the grip, smoothed; nan where none is known."""
    known = np.isfinite(draws.tension).all(axis=(0, 1)) & (draws.station > grip_end + 1e-9)
    weight = np.zeros(known.size)
    if known.any():
        weight[int(known.argmax())] = 1.0
    return _smoothed(draws, weight)


def past_clamp(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], pull `PULL_REACH` after the grip, smoothed; nan where no tension is known."""
    return _smoothed(draws, reading(draws, grip_end))


def _smoothed(draws: Draws, weight: Array) -> Array:
    """(D, K) [N], the weighted tensions (S,) smoothed in time as their draws allow."""
    if not weight.any():
        return np.full(draws.tension.shape[:2], np.nan)
    held = weight != 0.0
    pull, time = draws.tension[:, :, held] @ weight[held], draws.time
    even = np.arange(time[0], time[-1] + STEP, STEP)
    fine = smoothed(np.array([np.interp(even, time, row) for row in pull]), STEP, SPANS)
    return np.array([np.interp(time, even, row) for row in fine])


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
