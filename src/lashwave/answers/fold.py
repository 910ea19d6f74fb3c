"""The fold that runs out along the line: its path, its radius, and how speed grows with it.

A fold that runs from the grip to the tip is a bend that never goes back. Its path is the
non-decreasing sequence of stations, one a time up to the tip's greatest speed, along which the
logarithm of the curvature has the greatest sum (dynamic programming: Bellman, Bull. Amer. Math.
Soc. 60 (1954) 503). Each time counts by the square of the tip's speed against the grip, each
station by the share of the line beyond it, so that a tip that trembles draws no path. The fold
counts where it is sharp, beyond the tenth next to the grip, until its bend falls under half of its
sharpest, and only if it runs through two fifths of the line;
elsewhere it is nan, and `wave.front_station` still says where the line bends most.

Laws of a fold whose inner arm rests or moves steadily, of width far below what remains beyond it,
without gravity, air or bending: the outer arm's speed, relative to the inner one, grows as
m^(-1/2), m the mass beyond the fold, and the fold runs along the line at half that speed (kinetic
energy kept; Wong and Yasui, Am. J. Phys. 74 (2006) 490; Goriely and McMillen, Phys. Rev. Lett. 88
(2002) 244301). The laws are good to 5 % where three widths of the fold remain, and are not asked
beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.wave import JUMP, LEAST_BEND, curvature, front_speed
from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]
Index = NDArray[np.intp]

WIDTHS = 3.0
"""Widths of the fold that must remain beyond it where the laws are asked."""
DOUBLED = 1.5
"""Turn within the half height of the bend [rad] from which the line doubles back: of a bend that
turns by pi in all, in a bell, half height holds about 0.7."""
LEAVES = 0.04
"""Share of the line next to the grip in which a bend is the clamp's."""
BORN = 0.1
"""Share of the line next to the grip after which a fold is on its way."""
LEAST_RUN = 0.4
"""Share of the line beyond the grip that a fold runs through at least."""
LEAST_TIMES = 5
BEYOND = 0.25
"""Power of the share of the line beyond a station by which it counts; with none a path settles on
a tip that trembles, with more it settles where the fold was born."""
SHARP = 6.0
"""[1]; curvature times length of a fold: half a turn spread over half of the line."""


@dataclass(frozen=True)
class FoldDraws:
    """The fold of n draws at K times; nan where there is none."""

    station: Array
    """(n, K) [m], middle of the bend weighted by curvature."""
    speed: Array
    """(n, K) [m/s] along the line."""
    radius: Array
    """(n, K) [m], of the loop: one over its curvature, weighted by curvature."""
    relative: Array
    """(n, K) [m/s], speed of the tip relative to the grip's end."""
    valid: NDArray[np.bool_]
    """(n, K): the line doubles back, and `WIDTHS` of the fold's own widths remain beyond it."""


def ask(draws: Draws, chosen: Index, grip_end: float, until: Array) -> FoldDraws:
    """The folds of draws `chosen` (n,); until : (D,) [s], when the tip is fastest."""
    shape = (chosen.size, draws.time.size)
    station, radius, width, turn = (np.full(shape, np.nan) for _ in range(4))
    relative = np.empty_like(station)
    first = int(np.searchsorted(draws.station, grip_end - 1e-9))
    for i, d in enumerate(chosen):
        bend = np.nan_to_num(curvature(draws.station, draws.position[d].astype(float)))
        last = int(np.searchsorted(draws.time, until[d], side="right"))
        apart = draws.velocity[d][:, -1].astype(float) - draws.velocity[d][:, first]
        relative[i] = np.linalg.norm(apart, axis=-1)
        run = relative[i, :last] ** 2 * np.gradient(draws.time)[:last]
        found = path(run, draws.station[first:], bend[:last, first:])
        measured = _loop(draws.station[first:], bend[:last, first:], found)
        for into, values in zip((station, radius, width, turn), measured, strict=True):
            into[i, :last] = values
    length = float(draws.station[-1])
    speed = front_speed(draws.time, station, JUMP * length)
    with np.errstate(invalid="ignore"):
        valid = (length - station > WIDTHS * width) & (turn > DOUBLED)
    return FoldDraws(station, speed, radius, relative, valid)


def path(run: Array, station: Array, bend: Array) -> Index:
    """Column (K,) of the fold at each time; -1 where there is none.

    run : (K,) [m2/s], what each time counts: the square of the tip's speed times its share.
    bend : (K, S) [1/m] at stations (S,) from the grip's end to the tip.
    """
    times = run.size
    none = np.full(times, -1)
    if times < LEAST_TIMES:
        return none
    length = station[-1] - station[0]
    gain = np.log(np.maximum(bend * length, LEAST_BEND) / LEAST_BEND)
    gain *= run[:, None] * (1.0 - (station - station[0]) / length) ** BEYOND
    gain[:, station - station[0] < LEAVES * length] = 0.0
    columns = np.arange(station.size)
    before = np.empty(bend.shape, dtype=np.intp)
    total = gain[0].copy()
    for k in range(1, times):
        best = np.maximum.accumulate(total)
        before[k] = np.maximum.accumulate(np.where(total >= best, columns, 0))
        total = best + gain[k]
    found = np.empty(times, dtype=np.intp)
    found[-1] = int(total.argmax())
    for k in range(times - 1, 0, -1):
        found[k - 1] = before[k, found[k]]
    return _from_birth_to_end(found, station, bend[np.arange(times), found] * length, gain)


def _from_birth_to_end(found: Index, station: Array, bend: Array, gain: Array) -> Index:
    """The path while it follows a sharp bend, about where it counts most; -1 elsewhere, and
    wholly where that runs through too little of the line.

    bend : (K,) [1], curvature along the path times length.
    """
    centre = int(gain[np.arange(found.size), found].argmax())
    dull = np.flatnonzero(
        (bend[:centre] < SHARP) | (station[found[:centre]] - station[0] < BORN * np.ptp(station))
    )
    start = int(dull[-1]) + 1 if dull.size else 0
    sharpest = np.maximum.accumulate(bend[start:])
    gone = np.flatnonzero((bend[start:] < 0.5 * sharpest) | (bend[start:] < SHARP))
    gone = gone[gone >= centre - start]
    stop = start + int(gone[0]) if gone.size else found.size
    kept = np.full(found.size, -1)
    enough = stop - start >= LEAST_TIMES
    if enough and np.ptp(station[found[start:stop]]) >= LEAST_RUN * np.ptp(station):
        kept[start:stop] = found[start:stop]
    return kept


def _loop(station: Array, bend: Array, found: Index) -> tuple[Array, Array, Array, Array]:
    """Middle, radius, width (K,) [m] and turn [rad] of the bend about columns `found`: the stretch
    where it exceeds half of its value there."""
    rows, columns = np.arange(bend.shape[0]), np.arange(station.size)
    at = np.maximum(found, 0)
    apart = bend < 0.5 * bend[rows, at][:, None]
    first = np.maximum.accumulate(np.where(apart, columns, -1), axis=1)[rows, at]
    after = np.where(apart, columns, station.size)[:, ::-1]
    last = np.minimum.accumulate(after, axis=1)[:, ::-1][rows, at]
    within = (columns > first[:, None]) & (columns < last[:, None])
    share = np.gradient(station)
    weight = np.where(within, bend, 0.0) * share
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = weight @ station / weight.sum(axis=1)
        radius = weight.sum(axis=1) / (weight * bend).sum(axis=1)
    width = np.where(within, share, 0.0).sum(axis=1)
    turn = weight.sum(axis=1)
    for values in (middle, radius, width, turn):
        values[found < 0] = np.nan
    return middle, radius, width, turn
