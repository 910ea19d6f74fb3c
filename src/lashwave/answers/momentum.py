"""How hard did the hand pull, and what impulse did it give?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]


PULL_DOUBT = 0.2
"""Standard deviation, logarithmic, added to the peak of that pull: averaged over 4 ms it came out
between 2 % high and 36 % low on eight twin trials, over 2 ms 20 % high on a ninth."""
PULL_SPAN = 2e-3
"""The pull at the grip is a mean over this time [s]. Draws jitter from one time to the next, and
the largest of many jittering values is too large; a pull that lasts less comes out low."""


def mean_over(times: Array, values: Array, span: float) -> Array:
    """Values (D, K), linear in time, averaged over `span` [s] about each time; less at the ends."""
    whole = np.concatenate(
        [
            np.zeros((values.shape[0], 1)),
            np.cumsum(0.5 * (values[:, 1:] + values[:, :-1]) * np.diff(times), axis=1),
        ],
        axis=1,
    )
    start = np.clip(times - 0.5 * span, times[0], times[-1])
    stop = np.clip(times + 0.5 * span, times[0], times[-1])
    part = [np.interp(stop, times, row) - np.interp(start, times, row) for row in whole]
    return np.asarray(part) / (stop - start)


def grip_tension(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], pull at the first node after the grip, averaged over `PULL_SPAN`.

    nan where no tension is known.

    That node is the grip's end, where the line begins to give; on the grip itself no tension is
    known, and where none is known at its end either, the next station that has one is taken.
    """
    beyond = draws.station >= grip_end - 1e-9
    known = np.isfinite(draws.tension).all(axis=(0, 1)) & beyond
    if not known.any():
        return np.full(draws.tension.shape[:2], np.nan)
    return mean_over(draws.time, draws.tension[:, :, int(known.argmax())], PULL_SPAN)


def peak_pull(times: Array, pull: Array, until: Array) -> Array:
    """(D,) [N], greatest pull of (D, K) up to a time (D,), with what is known of its fault."""
    doubt = np.random.default_rng(0).standard_normal(pull.shape[0])
    return np.asarray(peak_until(times, pull, until) * np.exp(PULL_DOUBT * doubt))


def peak_until(times: Array, values: Array, until: Array) -> Array:
    """(D,), the greatest of values (D, K), linear in time, from the start to `until` (D,) [s]."""
    seen = np.where(times <= until[:, None], values, -np.inf).max(axis=1)
    at_end = np.array([np.interp(t, times, v) for t, v in zip(until, values, strict=True)])
    return np.asarray(np.maximum(seen, at_end))


def hand_impulse(draws: Draws) -> Array:
    """(D,) [N s], size of the vector integral of the hand's force, gravity's share included."""
    impulse = np.trapezoid(draws.hand_force, draws.time, axis=1)
    return np.asarray(np.linalg.norm(impulse, axis=-1))
