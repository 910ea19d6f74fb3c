"""Thousands of lines, hands and airs at once: lanes over members on a CPU, a thread each on a GPU.

The step is `member`'s, its bookkeeping `ledger`'s: one source for all. In single precision on lanes
peaks differ by some 1e-5 from those of double precision; `exact` computes in that, one by one.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import local
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics import ledger, member_rows
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.lanes import WIDTH, lanes_from
from lashwave.mechanics.ledger import Desk, Given, ThrowResults, fill, tick
from lashwave.mechanics.member import back, forth
from lashwave.mechanics.member_rows import LINE_ROWS, Shape
from lashwave.mechanics.node_matrix import bending_matrix
from lashwave.mechanics.rates import Setup
from lashwave.mechanics.simulation import SimulationError
from lashwave.quantities import Array

LOT = 8 * WIDTH
"""Members that a thread is given at a time."""
MOST = 30_000
"""Steps of a member at most."""


class Member(NamedTuple):
    """One line with its hand and its air, at its start."""

    ready: Setup
    """Of `setup`; the line is held at its butt alone."""
    mass: Array
    """(N + 1,) [kg], of the nodes."""
    place: Array
    """(N + 1, 3) [m]"""
    velocity: Array
    """(N + 1, 3) [m/s]"""
    start: float
    """[s]"""
    end: float
    """[s], of the run at the latest."""
    reach: float = -1.0
    """[m]; the run ends after the first peak of the tip's speed at which the tip is this far from
    the hand. Negative: it goes on to `end`, and the highest speed is its peak."""


@compiled(error_model="numpy", nogil=True)
def on_lanes(given: Given, desk: Desk, found: ThrowResults, n: Shape, low: int, high: int) -> None:
    """Compute members low .. high - 1, `WIDTH` at once: who is done makes room for the next."""
    busy, fresh = 0, low
    at_work = np.zeros(WIDTH, dtype=np.bool_)
    for k in range(WIDTH):
        fill(given, desk, k, min(fresh, high - 1), n)
        at_work[k] = fresh < high
        busy += at_work[k]
        fresh += at_work[k]
    m: Any = lanes_from(0)
    while busy > 0:
        forth(desk.line, desk.motion, desk.step, desk.hand, m, n)
        back(desk.line, desk.motion, desk.step, desk.hand, m, n)
        for k in range(WIDTH):
            if at_work[k] and tick(given, desk, found, k, n):
                if fresh < high:
                    fill(given, desk, k, fresh, n)
                    fresh += 1
                else:
                    at_work[k] = False
                    busy -= 1


@compiled(error_model="numpy", nogil=True)
def one_by_one(
    given: Given, desk: Desk, found: ThrowResults, n: Shape, low: int, high: int
) -> None:
    """The same, one after another."""
    for k in range(low, high):
        fill(given, desk, 0, k, n)
        done = False
        while not done:
            forth(desk.line, desk.motion, desk.step, desk.hand, 0, n)
            back(desk.line, desk.motion, desk.step, desk.hand, 0, n)
            done = tick(given, desk, found, 0, n)


def line_rows(ready: Setup, mass: Array) -> Array:
    """A line and its air as `member` takes them, SI; mass (N + 1,) [kg]."""
    body = ready.body
    out = np.zeros((mass.size, LINE_ROWS))
    out[:, member_rows.MASS] = mass
    out[ready.first + 1 :, member_rows.EASE] = 1.0 / mass[ready.first + 1 :]
    out[:-1, member_rows.LENGTH] = body.length
    out[:-1, member_rows.OVER] = 1.0 / body.length
    out[1:, member_rows.REAR] = 1.0 / body.length
    out[:, member_rows.BEND] = body.bend
    out[:-1, member_rows.WIDE] = body.diameter
    out[:, member_rows.BLUFF] = body.bluff
    out[:, member_rows.STIFF : member_rows.STIFF + 3] = bending_matrix(ready)
    air = (body.density, body.viscosity, body.sound, body.normal[0], body.tangential)
    return np.concatenate([out.ravel(), air, body.gravity, body.damping[:1]])


def given_of(members: Sequence[Member], fineness: ArrayLike, times: ArrayLike) -> Given:
    """Arrays of all members.

    fineness : (3,) of `quick.FINENESS`. times : (T,) [s] at which places are wanted.

    Raises
    ------
    SimulationError : a line is free at its butt or held at its far end, or links differ in number,
    or drag or damping differ along a line.
    """
    if any(one.ready.free or one.ready.held for one in members):
        raise SimulationError("an ensemble's lines are held at their butt alone, by a driven grip")
    if any(np.ptp(one.ready.body.normal) + np.ptp(one.ready.body.damping) for one in members):
        raise SimulationError("an ensemble's lines have drag and damping alike all along")
    if len({(one.mass.size, one.ready.first) for one in members}) != 1:
        raise SimulationError("an ensemble's lines have alike many links, and all a grip or none")
    count, nodes = len(members), members[0].mass.size
    knots = max(one.ready.near.knots.size for one in members)
    given = Given(
        np.stack([line_rows(one.ready, one.mass) for one in members]),
        np.zeros((count, nodes, 6)), np.full((count, knots), np.inf),
        np.zeros((count, knots - 1, 4, 6)),
        np.array([(one.start, one.end, one.reach) for one in members]),
        np.asarray(fineness, dtype=float), np.asarray(times, dtype=float),
    )  # fmt: skip
    for k, one in enumerate(members):
        given.motion[k, :-1, :3] = np.diff(one.place, axis=0)
        given.motion[k, :, 3:] = one.velocity
        size = one.ready.near.knots.size
        given.knots[k, :size] = one.ready.near.knots
        given.pieces[k, : size - 1] = one.ready.near.pieces
    return given


def _desk(given: Given, slots: int, most: int, kind: type) -> Desk:
    nodes = given.motion.shape[1]
    return Desk(
        np.zeros((given.line.shape[1], slots), kind),
        np.zeros((nodes * member_rows.MOTION_ROWS, slots), kind),
        np.zeros((member_rows.STEP_ROWS, slots), kind),
        np.zeros((member_rows.HAND_ROWS, slots), kind),
        np.zeros((slots, 2, 6, 3)), np.zeros((slots, ledger.BOOK)),
        np.zeros((slots, ledger.MARKS), np.int64), np.zeros((slots, most, 3)),
    )  # fmt: skip


def _on_cores(given: Given, n: Shape, most: int, exact: bool, threads: int) -> ThrowResults:
    count, nodes = given.motion.shape[:2]
    kind = np.float64 if exact else np.float32
    found = ThrowResults(
        np.full((count, len(ledger.RESULTS)), np.nan),
        np.full((count, given.times.size, nodes, 3), np.nan, kind),
    )
    own = local()

    def lot(low: int) -> None:
        if not hasattr(own, "desk"):
            own.desk = _desk(given, 1 if exact else WIDTH, most, kind)
        work = one_by_one if exact else on_lanes
        work(given, own.desk, found, n, low, min(low + LOT, count))

    lows = range(0, count, LOT)
    if threads == 1 or len(lows) == 1:
        for low in lows:
            lot(low)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(lot, lows))
    return found


def together(
    members: Sequence[Member],
    fineness: ArrayLike,
    *,
    beyond: int,
    times: ArrayLike = (),
    exact: bool = False,
    gpu: bool = False,
    threads: int | None = None,
    most: int = MOST,
) -> ThrowResults:
    """The motions of all members: results (M, R) of `ledger.RESULTS`, places (M, T, N + 1, 3) [m].

    Parameters
    ----------
    fineness : (3,), see `quick.FINENESS`.
    beyond : first node of the line's end, whose energy and bends are looked at.
    times : (T,) [s], of the places; nan where a member had ended.
    exact : in double precision, one by one. gpu : on a graphics card, in single precision.
    threads : as many as the machine has cores, unless given.
    most : steps of a member at most.

    Raises
    ------
    SimulationError : lines of unlike kinds. InputError : there is no card.
    """
    given = given_of(members, fineness, times)
    n = Shape(given.motion.shape[1] - 1, members[0].ready.first, beyond)
    if gpu:
        from lashwave.mechanics import on_gpu

        return on_gpu.compute(given, n, most)[0]
    return _on_cores(given, n, most, exact, threads or os.cpu_count() or 1)
