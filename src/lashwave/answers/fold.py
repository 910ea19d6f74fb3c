"""The fold that runs out to the tip before its peak of speed: its run, and the laws that it obeys.

A fold is a bend (`bend`) at which the line doubles back: the chords to either side of it, `WIDE` of
the line long, turn by at least a right angle. Its run is the last unbroken stretch of times before
the tip's peak in which it does, the bend does not jump, and `LEFT` of the line is left beyond it.
Laws of a fold whose inner arm rests or moves steadily, narrow against what remains beyond it,
without gravity, air or bending: the outer arm's speed V relative to the inner one grows as
m^(-1/2), m the mass beyond the fold, and the fold runs along the line at V / 2 (kinetic energy
kept; Wong and Yasui, Am. J. Phys. 74 (2006) 490; Goriely and McMillen, Phys. Rev. Lett. 88 (2002)
244301).
Both are asked of the whole run, by integrals, so that neither depends on the grids of times and
stations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.bend import JUMP, Bends, turn_at
from lashwave.quantities import Array, Draws, Index

WIDE = 0.2
"""Share of the line in a chord that tells whether it doubles back; less near its ends. A turn
of more than pi is seen as what it lacks to a whole one, so that a right angle is asked, no more."""
LEFT = 0.2
"""Share of the line that is left beyond a fold at the end of its run: where under three widths of
it are left the laws no longer hold."""
LAST = 40e-3
"""A run ends no earlier than this before the tip's peak [s]: what ended before is another bend."""
LEAST_RUN = 0.2
"""Share of the line that a fold runs through at least."""


@dataclass(frozen=True)
class Run:
    """The run of a fold in one draw, at its R times."""

    time: Array
    """(R,) [s]"""
    station: Array
    """(R,) [m]"""
    relative: Array
    """(R,) [m/s], speed of the tip relative to the grip's end."""


def runs(
    draws: Draws, chosen: Index, bends: Bends, grip_end: float, until: Array
) -> list[Run | None]:
    """The run of the fold in draws `chosen` (n,), None where there is none.

    bends : of those draws. until : (D,) [s], when the tip is fastest.
    """
    first = int(np.searchsorted(draws.station, grip_end - 1e-9))
    length = float(draws.station[-1])
    found = []
    for i, d in enumerate(chosen):
        apart = draws.velocity[d][:, -1].astype(float) - draws.velocity[d][:, first]
        where = bends.station[i]
        arm = np.minimum(WIDE * length, np.minimum(length - where, where - grip_end))
        wide = turn_at(draws.station, draws.position[d].astype(float), where, arm)
        with np.errstate(invalid="ignore"):
            able = (wide >= 0.5 * np.pi) & (where <= (1.0 - LEFT) * length)
        speed = np.linalg.norm(apart, axis=-1)
        found.append(_run(draws.time, where, able, speed, float(until[d]), length))
    return found


def _run(
    time: Array,
    station: Array,
    able: NDArray[np.bool_],
    relative: Array,
    until: float,
    length: float,
) -> Run | None:
    """Of one draw, from its lists over time (K,); able : where the bend is a fold."""
    last = int(np.searchsorted(time, until, side="right"))
    known = np.flatnonzero(able[:last])
    if known.size == 0 or time[known[-1]] < until - LAST:
        return None
    stop = start = int(known[-1])
    steps = np.abs(np.diff(station)) <= JUMP * length
    while start > 0 and able[start - 1] and steps[start - 1]:
        start -= 1
    if station[stop] - station[start] < LEAST_RUN * length:
        return None
    part = slice(start, stop + 1)
    return Run(time[part], station[part], relative[part])
