"""How hard did the hand pull, and what impulse did it give?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]


def grip_tension(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], pull at the first node after the grip; nan where no tension is known.

    That node is the grip's end, where the line begins to give; on the grip itself no tension is
    known, and where none is known at its end either, the next station that has one is taken.
    """
    beyond = draws.station >= grip_end - 1e-9
    known = np.isfinite(draws.tension).all(axis=(0, 1)) & beyond
    if not known.any():
        return np.full(draws.tension.shape[:2], np.nan)
    return np.asarray(draws.tension[:, :, int(known.argmax())])


def peak_until(times: Array, values: Array, until: Array) -> Array:
    """(D,), the greatest of values (D, K), linear in time, from the start to `until` (D,) [s]."""
    seen = np.where(times <= until[:, None], values, -np.inf).max(axis=1)
    at_end = np.array([np.interp(t, times, v) for t, v in zip(until, values, strict=True)])
    return np.asarray(np.maximum(seen, at_end))


def hand_impulse(draws: Draws) -> Array:
    """(D,) [N s], size of the vector integral of the hand's force, gravity's share included."""
    impulse = np.trapezoid(draws.hand_force, draws.time, axis=1)
    return np.asarray(np.linalg.norm(impulse, axis=-1))
