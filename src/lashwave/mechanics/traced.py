"""Compiled run of the leapfrog that keeps at every step what a throw is judged by."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.mechanics.bending import at, bend_energy, sharpness
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.leapfrog import NodeMotion, advance, begin, settle
from lashwave.mechanics.rates import Setup
from lashwave.quantities import Array

COLUMNS = ("time", "tip_speed", "tip_x", "tip_y", "tip_z", "grip_force", "end_energy", "cosine")
"""Of a trace (S, 8): [s], [m/s], [m] x 3, [N], kinetic energy beyond a node [J], and the least
cosine between two neighbouring links there."""
EVERY = 4
"""Steps from one closing of the energy account to the next."""
RISE, FALL = 1.2, 0.5
"""A peak of the tip's speed rises over the least speed before it and falls again by these ratios;
the run ends with the first one."""


class Wanted(NamedTuple):
    """When a traced run ends and what it keeps."""

    start: float  # [s]
    latest: float  # [s]
    reach: float  # [m]; a peak counts where the tip is this far from the hand
    beyond: int  # first node of the line's end, whose kinetic energy is kept


@compiled(error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def _kinetic(mass: Array, m: NodeMotion) -> float:
    """Kinetic energy [J] at a step's start."""
    energy = 0.0
    for i in range(mass.size):
        for k in range(3):
            energy += 0.5 * mass[i] * m.v[i, k] ** 2
    return energy


@compiled(error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def _stored(setup: Setup, mass: Array, m: NodeMotion) -> float:
    """Kinetic, gravitational and bending energy [J] at a step's start, clamps left out."""
    body, energy = setup.body, 0.0
    for i in range(mass.size):
        for k in range(3):
            energy += mass[i] * (0.5 * m.v[i, k] ** 2 - body.gravity[k] * m.x[i, k])
    for j in range(1, body.length.size):
        energy += body.bend[j] * bend_energy(sharpness(at(m.t, j - 1), at(m.t, j)))
    return energy


@compiled(error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def _note(setup: Setup, mass: Array, m: NodeMotion, beyond: int, row: Array) -> None:
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


@compiled(error_model="numpy", nogil=True, fastmath={"contract", "arcp", "nsz"})
def trace(
    setup: Setup, matrix: Array, mass: Array, wanted: Wanted, start: Array, speed: Array,
    fineness: Array, rows: Array, account: Array,
) -> tuple[int, int]:  # fmt: skip
    """Fill rows (S, 8) of `COLUMNS` and account (S // EVERY + 1, 2) [J].

    Returns steps and the peak's row.

    matrix, mass, start, speed, fineness : as of `leapfrog.integrate`. account holds what the
    account of energy leaves open, and the kinetic energy. Negative steps: the links could not be
    closed, or S was spent.
    """
    m = begin(setup, mass, start, speed, wanted.start)
    first, least, top = 0.0, np.inf, 0
    for step in range(rows.shape[0]):
        if advance(setup, matrix, mass, m, fineness) < 0:
            return -step - 1, top
        row = rows[step]
        _note(setup, mass, m, wanted.beyond, row)
        if not np.isfinite(row[1]):
            return -step - 1, top
        if step % EVERY == 0:
            spent = m.account[0]
            rest = _stored(setup, mass, m) - spent[0] - spent[1] - spent[2] + spent[3]
            if step == 0:
                first = rest
            account[step // EVERY, 0] = rest - first
            account[step // EVERY, 1] = _kinetic(mass, m)
        away = 0.0
        for k in range(3):
            away += (row[2 + k] - m.x[0, k]) ** 2
        if away < wanted.reach**2 or row[1] < least:
            least, top = row[1], step
        elif row[1] > rows[top, 1]:
            top = step
        over = row[1] < FALL * rows[top, 1] and rows[top, 1] > RISE * least
        if over or row[0] > wanted.latest:
            return step + 1, top
        settle(setup, mass, m)
    return -rows.shape[0], top


def traced(
    ready: Setup,
    mass: Array,
    wanted: Wanted,
    start: Array,
    speed: Array,
    fineness: Array,
    most: int = 60_000,
) -> tuple[Array, Array, int]:
    """A run: its rows (S, 8), its account (S // EVERY, 2) [J] and the row of the peak.

    Parameters
    ----------
    start, speed : (N + 1, 3) [m] and [m/s]. fineness : (3,), see `quick.FINENESS`.

    Raises
    ------
    SimulationError : the links could not be held at their lengths, or the steps ran out.
    """
    from lashwave.mechanics.node_matrix import bending_matrix
    from lashwave.mechanics.simulation import SimulationError

    rows = np.empty((most, len(COLUMNS)))
    account = np.empty((most // EVERY + 1, 2))
    steps, top = trace(
        ready, bending_matrix(ready), mass, wanted, start, speed, fineness,
        rows, account,
    )  # fmt: skip
    if steps < 0:
        raise SimulationError(f"the links could not be held at their lengths after {-steps} steps")
    return rows[:steps].copy(), account[: (steps + EVERY - 1) // EVERY].copy(), top
