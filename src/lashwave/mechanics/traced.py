"""Compiled run of the leapfrog that keeps at every step what a throw is judged by."""

from __future__ import annotations

from typing import NamedTuple

import numba as nb
import numpy as np

from lashwave.mechanics.bending import at, bend_energy, sharpness
from lashwave.mechanics.leapfrog import advance, begin, settle
from lashwave.mechanics.rates import Setup
from lashwave.quantities.arrays import Array

COLUMNS = ("time", "tip_speed", "tip_x", "tip_y", "tip_z", "grip_force", "end_energy", "cosine")
"""Of a trace (S, 8): [s], [m/s], [m] x 3, [N], kinetic energy beyond a node [J], and the least
cosine between two neighbouring links there."""
EVERY = 4
"""Steps from one closing of the energy account to the next."""
CALM = 0.25
"""A run may end this long after its fastest moment [s], ..."""
SLOWER = 0.5
"""... where the tip is slower than this share of its greatest speed."""


class Wanted(NamedTuple):
    """When a traced run ends and what it keeps."""

    start: float  # [s]
    after: float  # [s]; before this time no run ends
    latest: float  # [s]
    beyond: int  # first node of the line's end, whose kinetic energy is kept


@nb.njit(cache=True, error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def _stored(setup, mass, m):  # type: ignore[no-untyped-def]
    """Kinetic, gravitational and bending energy [J] at a step's start, clamps left out."""
    body, energy = setup.body, 0.0
    for i in range(mass.size):
        for k in range(3):
            energy += mass[i] * (0.5 * m.v[i, k] ** 2 - body.gravity[k] * m.x[i, k])
    for j in range(1, body.length.size):
        energy += body.bend[j] * bend_energy(sharpness(at(m.t, j - 1), at(m.t, j)))
    return energy


@nb.njit(cache=True, error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def _note(setup, mass, m, beyond, row):  # type: ignore[no-untyped-def]
    """Fill a row of the trace at a step's start."""
    tip = mass.size - 1
    square, force, energy, least = 0.0, 0.0, 0.0, 1.0
    for k in range(3):
        square += m.v[tip, k] ** 2
        force += m.account[1, 4 + k] ** 2
        row[2 + k] = m.x[tip, k]
        for i in range(beyond, mass.size):
            energy += 0.5 * mass[i] * m.v[i, k] ** 2
    for j in range(max(beyond, setup.first + 1), setup.last):
        cosine = 0.0
        for k in range(3):
            cosine += m.t[j - 1, k] * m.t[j, k]
        least = min(least, cosine)
    row[0], row[1], row[5], row[6], row[7] = (
        m.clock[0], np.sqrt(square), np.sqrt(force), energy, least
    )  # fmt: skip


@nb.njit(cache=True, error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def trace(setup, matrix, mass, wanted, start, speed, fineness, rows, account):  # type: ignore[no-untyped-def]
    """Fill rows (S, 8) of `COLUMNS` and account (S // EVERY + 1, 2) [J]; returns steps.

    matrix, mass, start, speed, fineness : as of `leapfrog.integrate`. account holds what the
    account of energy leaves open, and the hand's work. Negative steps: the links could not be
    closed, or S was spent.
    """
    m = begin(setup, mass, start, speed, wanted.start)
    first, fastest, when = 0.0, 0.0, wanted.start
    for step in range(rows.shape[0]):
        if advance(setup, matrix, mass, m, fineness) < 0:
            return -step - 1
        row = rows[step]
        _note(setup, mass, m, wanted.beyond, row)
        if not np.isfinite(row[1]):
            return -step - 1
        if step % EVERY == 0:
            spent = m.account[0]
            rest = _stored(setup, mass, m) - spent[0] - spent[1] - spent[2] + spent[3]
            if step == 0:
                first = rest
            account[step // EVERY, 0], account[step // EVERY, 1] = rest - first, spent[0]
        if row[1] > fastest:
            fastest, when = row[1], row[0]
        now = row[0]
        calm = now > wanted.after and now > when + CALM and row[1] < SLOWER * fastest
        if calm or now > wanted.latest:
            return step + 1
        settle(setup, mass, m)
    return -rows.shape[0]


def traced(
    ready: Setup, mass: Array, wanted: Wanted, start: Array, fineness: Array, most: int = 60_000
) -> tuple[Array, Array]:
    """A run from rest: its rows (S, 8) and account (S // EVERY, 2) [J].

    Parameters
    ----------
    start : (N + 1, 3) [m], places at rest. fineness : (3,), see `quick.FINENESS`.

    Raises
    ------
    SimulationError : the links could not be held at their lengths, or the steps ran out.
    """
    from lashwave.mechanics.node_matrix import bending_matrix
    from lashwave.mechanics.simulate import SimulationError

    rows = np.empty((most, len(COLUMNS)))
    account = np.empty((most // EVERY + 1, 2))
    steps = trace(
        ready, bending_matrix(ready), mass, wanted, start, np.zeros_like(start), fineness,
        rows, account,
    )  # fmt: skip
    if steps < 0:
        raise SimulationError(f"the links could not be held at their lengths after {-steps} steps")
    return rows[:steps].copy(), account[: (steps + EVERY - 1) // EVERY].copy()
