"""Shared events: one event on the lab clock and on an instrument's own, which ties the two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import Clock

UNLIKELY = 1e-3
"""Chance under which events and stated clock are said to contradict each other."""
LEAST_SD = 1e-9
"""[s]; a clock stated as exact is taken as this good."""


@dataclass(frozen=True)
class Event:
    """What both clocks showed when it happened."""

    time: float
    """[s], lab clock"""
    time_sd: float
    own: float
    """[s] since frame 0 or the first sample, by the instrument's stated rate"""
    own_sd: float


@dataclass(frozen=True)
class Tied:
    """A clock that events have tied to the lab's."""

    clock: Clock
    residual: Array
    """(E,) [sd] of each event about it."""
    contradicted: bool
    """Events and stated clock scatter more than their deviations let expect; the clock's has been
    widened by sqrt(chi2 / freedom) (Birge, Phys. Rev. 40 (1932) 207, from memory)."""


def tied(events: Sequence[Event], drift_sd: float, stated: Clock | None) -> Tied:
    """The offset at the instrument's own time 0 by events and, where there is one, a stated clock.

    Least squares of time - own = offset + drift * own, the drift about 0 within `drift_sd`; what
    the drift leaves open is in the offset's deviation.

    Parameters
    ----------
    events : at least one; stated : None where nothing was known of the offset.
    """
    from scipy.special import chdtrc  # here: most trials have no event

    own = np.array([e.own for e in events])
    late = np.array([e.time for e in events]) - own
    sd = np.hypot([e.time_sd for e in events], [e.own_sd for e in events])
    slope = own if drift_sd > 0.0 else np.zeros_like(own)
    rows = [np.column_stack([np.ones_like(own), slope]) / sd[:, None]]
    aim = [late / sd]
    rows.append(np.array([[0.0, 1.0 / drift_sd if drift_sd > 0.0 else 1.0]]))
    aim.append(np.zeros(1))
    if stated is not None:
        width = max(stated.offset_sd, LEAST_SD)
        rows.append(np.array([[1.0 / width, 0.0]]))
        aim.append(np.array([stated.offset / width]))
    a, b = np.concatenate(rows), np.concatenate(aim)
    best = np.linalg.lstsq(a, b, rcond=None)[0]
    off = b - a @ best
    square, freedom = float(off @ off), a.shape[0] - 2
    offset_sd = float(np.sqrt(np.linalg.inv(a.T @ a)[0, 0]))
    contradicted = freedom > 0 and float(chdtrc(freedom, square)) < UNLIKELY
    if contradicted:
        offset_sd *= float(np.sqrt(square / freedom))
    return Tied(Clock(float(best[0]), offset_sd, drift_sd), off[: own.size], contradicted)
