"""Compiled leapfrog of a line's nodes, its links held at their lengths: the cheap forward engine.

Masses sit at the nodes (row sums of the links' consistent mass). Velocities stand half a step from
places; after each step the links' pulls are found that bring every link back to its length, by
Newton's method on one tridiagonal system (Ryckaert, Ciccotti and Berendsen, J. Comput. Phys. 23
(1977) 327, from memory, for molecules; a chain of links makes their system tridiagonal). Second
order in the step; one evaluation of the forces a step. Air, bending and friction are the functions
of `drag` and `bending`, as everywhere.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.kernels import Body
from lashwave.mechanics.node_forces import abreast, drive, ends, forces
from lashwave.mechanics.node_matrix import solve, stiffened
from lashwave.mechanics.rates import Setup
from lashwave.quantities import Array

NEARLY = 1e-4
"""Error of a squared link length, over the square, from which one turn of Newton's leaves 1e-8."""
MOST_TURNS = 8
"""Newton's turns a step; two are usual."""
GROWTH = 1.05
"""The step grows by this at most from one to the next: sudden changes cost the leapfrog's order."""


class NodeMotion(NamedTuple):
    """A motion at one step, and its work space; N links."""

    clock: Array  # (3,) time, the step before, the step [s]
    x: Array  # (N + 1, 3) [m] at the step's start
    v: Array  # (N + 1, 3) [m/s]
    half: Array  # (N + 1, 3) [m/s] half a step from it
    a: Array  # (N + 1, 3) [m/s2]
    ahead: Array  # (N + 1, 3) [m] at the step's end
    soon: Array  # (N + 1, 3) [m/s] there, of driven nodes
    old: Array  # (N + 1, 3) [m/s2]
    loads: Array  # (N + 1, 3) [N]
    push: Array  # (N + 1, 3) [N]
    band: Array  # (N + 1, 3)
    t: Array  # (N, 3) directions of the links
    w: Array  # (N, 3) [1/s] their rates
    pull: Array  # (N,) [N]
    was: Array  # (N,) [N] one step before
    row: Array  # (2, N)
    ease: Array  # (N + 1,) [1/kg], 0 where a node is driven
    near: Array  # (6, 3) pose of the grip
    far: Array  # (6, 3) pose of the held far end
    spent: Array  # (8,)
    account: Array  # (3, 13) `rates.ACCOUNTS`, their rates, their rates before
    beside: Array  # of `abreast`


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def close(
    body: Body,
    first: int,
    last: int,
    ease: Array,
    scale: float,
    y: Array,
    t: Array,
    pull: Array,
    upper: Array,
    right: Array,
) -> int:
    """Change y (N + 1, 3) and pull (N,) until links first .. last - 1 have their lengths.

    ease (N + 1,) [1/kg], 0 where a node is driven; scale [s2] turns a pull's acceleration into a
    shift. Returns the turns taken.
    """
    for turns in range(MOST_TURNS):
        worst = 0.0
        ex, ey, ez = 0.0, 0.0, 0.0
        # forward elimination of the tridiagonal system as it is built
        below = 0.0
        before = 0.0
        for j in range(first, last):
            ex, ey, ez = y[j + 1, 0] - y[j, 0], y[j + 1, 1] - y[j, 1], y[j + 1, 2] - y[j, 2]
            square = body.length[j] ** 2
            miss = 0.5 * (ex * ex + ey * ey + ez * ez - square)
            worst = max(worst, abs(miss) / square)
            diagonal = (
                scale * (ease[j] + ease[j + 1]) * (ex * t[j, 0] + ey * t[j, 1] + ez * t[j, 2])
            )
            if j > first:
                below = -scale * ease[j] * (ex * t[j - 1, 0] + ey * t[j - 1, 1] + ez * t[j - 1, 2])
            else:
                below = 0.0
            if j + 1 < last:
                above = (
                    -scale * ease[j + 1] * (ex * t[j + 1, 0] + ey * t[j + 1, 1] + ez * t[j + 1, 2])
                )
            else:
                above = 0.0
            over = 1.0 / (diagonal - below * before)
            previous = right[j - 1] if j > first else 0.0
            before = above * over
            upper[j] = before
            right[j] = (miss - below * previous) * over
        after = 0.0
        for j in range(last - 1, first - 1, -1):
            after = right[j] - upper[j] * after
            pull[j] += after
            px, py, pz = scale * after * t[j, 0], scale * after * t[j, 1], scale * after * t[j, 2]
            y[j, 0] += ease[j] * px
            y[j, 1] += ease[j] * py
            y[j, 2] += ease[j] * pz
            y[j + 1, 0] -= ease[j + 1] * px
            y[j + 1, 1] -= ease[j + 1] * py
            y[j + 1, 2] -= ease[j + 1] * pz
        if worst < NEARLY:
            return turns + 1
    return -1


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def longest_step(
    body: Body,
    first: int,
    last: int,
    ease: Array,
    t: Array,
    w: Array,
    pull: Array,
    turn_a_step: float,
    wave: float,
) -> float:
    """[s]: no link turns by more than `turn_a_step` [rad], no wave's phase by more than `wave`.

    ease : (N + 1,) [1/kg]. t, w : (N, 3), directions and their rates. pull : (N,) [N].
    """
    spin, tone = 0.0, 0.0
    for j in range(first, last):
        spin = max(spin, w[j, 0] ** 2 + w[j, 1] ** 2 + w[j, 2] ** 2)
        tone = max(tone, 2.0 * (ease[j] + ease[j + 1]) * abs(pull[j]) / body.length[j])
    return min(turn_a_step / np.sqrt(spin + 1e-9), wave / np.sqrt(tone + 1e-9))


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def begin(setup: Setup, mass: Array, start: Array, speed: Array, time: float) -> NodeMotion:
    """A `NodeMotion` at rest in the first step, from places and velocities (N + 1, 3) at `time`.

    start [m], speed [m/s]; mass (N + 1,) [kg].
    """
    nodes = mass.size
    links = nodes - 1
    m = NodeMotion(
        np.array([time, 0.0, 1e-7]), start.copy(), speed.copy(), speed.copy(),
        np.zeros((nodes, 3)), start.copy(), np.zeros((nodes, 3)), np.zeros((nodes, 3)),
        np.zeros((nodes, 3)), np.zeros((nodes, 3)), np.zeros((nodes, 3)), np.zeros((links, 3)),
        np.zeros((links, 3)), np.zeros(links), np.zeros(links), np.zeros((2, links)),
        np.zeros(nodes), np.zeros((6, 3)), np.zeros((6, 3)), np.zeros(8), np.zeros((3, 13)),
        abreast(setup.body),
    )  # fmt: skip
    low = 0 if setup.free else setup.first + 1
    high = setup.last if setup.held else nodes
    for i in range(low, high):
        m.ease[i] = 1.0 / mass[i]
    drive(setup, time, m.near, m.far, m.x, m.v, m.a)
    return m


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def advance(setup: Setup, matrix: Array, mass: Array, m: NodeMotion, fineness: Array) -> int:
    """One step. m.x, m.v, m.a, m.pull, m.account are left at the step's start, m.ahead at its end.

    Returns Newton's turns, negative where the links could not be closed. `settle` follows.

    mass : (N + 1,) [kg]. fineness : (3,), see `quick.FINENESS`.
    """
    body, first, last = setup.body, setup.first, setup.last
    low = 0 if setup.free else first + 1
    high = last if setup.held else mass.size
    now, before = m.clock[0], m.clock[1]
    x, v, a, half, ahead, f = m.x, m.v, m.a, m.half, m.ahead, m.push
    m.old[:] = a
    m.was[:] = m.pull
    m.account[2] = m.account[1]
    for i in range(low, high):
        for k in range(3):
            v[i, k] = half[i, k] + 0.5 * before * a[i, k]
    forces(setup, x, v, m.t, m.w, m.loads, m.near, m.far, m.spent, m.beside)
    wanted = longest_step(body, first, last, m.ease, m.t, m.w, m.pull, fineness[0], fineness[1])
    step = min(wanted, GROWTH * m.clock[2], fineness[2])
    m.clock[2] = step
    middle = 0.5 * (before + step)
    f[:] = m.loads
    stiffened(matrix, mass, body.damping.max(), m.old, before, step, low, high, m.band, f)
    for j in range(first, last):
        for k in range(3):
            f[j, k] += m.pull[j] * m.t[j, k]
            f[j + 1, k] -= m.pull[j] * m.t[j, k]
    solve(m.band, low, high, f)
    for i in range(low, high):
        for k in range(3):
            ahead[i, k] = x[i, k] + step * (half[i, k] + middle * f[i, k])
    drive(setup, now + step, m.near, m.far, ahead, m.soon, m.old)
    turns = close(body, first, last, m.ease, middle * step, ahead, m.t, m.pull, m.row[0], m.row[1])
    for i in range(low, high):
        for k in range(3):
            new = (ahead[i, k] - x[i, k]) / step
            a[i, k] = (new - half[i, k]) / middle
            v[i, k] = half[i, k] + 0.5 * before * a[i, k]
            half[i, k] = new
    ends(setup, mass, a, m.loads, v, m.t, m.pull, m.spent, m.account[1])
    for k in range(13):
        m.account[0, k] += 0.5 * before * (m.account[2, k] + m.account[1, k])
    return turns


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def settle(setup: Setup, mass: Array, m: NodeMotion) -> None:
    """Make the step's end the start of the next.

    mass : (N + 1,) [kg].
    """
    low = 0 if setup.free else setup.first + 1
    high = setup.last if setup.held else mass.size
    m.x[:] = m.ahead
    for i in range(mass.size):
        if i < low or i >= high:
            for k in range(3):
                m.v[i, k], m.a[i, k] = m.soon[i, k], m.old[i, k]
    m.clock[0] += m.clock[2]
    m.clock[1] = m.clock[2]


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def report(
    m: NodeMotion, low: int, high: int, share: float, found: Array, pull: Array, spend: Array
) -> None:
    """Fill what `integrate` wants of one time, `share` [s] after the step's start.

    Accelerations, pulls and rates are carried on from the step before: second order, as the rest.

    found : (3, N + 1, 3), m and s. pull : (N,) [N]. spend : (2, 13), `rates.ACCOUNTS` and rates.
    """
    on = share / m.clock[1] if m.clock[1] > 0.0 else 0.0
    for i in range(m.x.shape[0]):
        for k in range(3):
            v, a = m.v[i, k], m.a[i, k]
            found[0, i, k] = m.x[i, k] + share * (v + 0.5 * share * a)
            found[1, i, k] = v + share * a
            if low <= i < high:
                found[2, i, k] = a + on * (a - m.old[i, k])
            else:  # a driven node's is known at the step's end
                found[2, i, k] = a + share / m.clock[2] * (m.old[i, k] - a)
    for j in range(pull.size):
        pull[j] = m.pull[j] + on * (m.pull[j] - m.was[j])
    for k in range(13):
        rate = m.account[1, k] + on * (m.account[1, k] - m.account[2, k])
        spend[0, k] = m.account[0, k] + 0.5 * share * (m.account[1, k] + rate)
        spend[1, k] = rate


@compiled(error_model="numpy", fastmath={"contract", "arcp", "nsz"})
def integrate(
    setup: Setup,
    matrix: Array,
    mass: Array,
    times: Array,
    start: Array,
    speed: Array,
    fineness: Array,
    most: int,
    found: Array,
    pulls: Array,
    spends: Array,
) -> tuple[int, int]:
    """Fill found (3, T, N + 1, 3): places, velocities, accelerations; pulls (T, N) [N]; spends.

    matrix : of `bending_matrix`. mass (N + 1,) [kg]. start, speed (N + 1, 3): at times[0].
    fineness (3,) : see `quick.FINENESS`.
    spends (2, T, 13): `rates.ACCOUNTS` and their rates.
    Returns steps and turns of Newton's, steps negative where `most` were spent or a number ceased
    to be finite.
    """
    m = begin(setup, mass, start, speed, times[0])
    low = 0 if setup.free else setup.first + 1
    high = setup.last if setup.held else mass.size
    done, steps, turns = 0, 0, 0
    while done < times.size:
        spun = advance(setup, matrix, mass, m, fineness)
        if spun < 0 or steps > most:
            return -steps - 1, turns
        turns += spun
        while done < times.size and times[done] <= m.clock[0] + m.clock[2]:
            report(
                m, low, high, times[done] - m.clock[0], found[:, done], pulls[done], spends[:, done]
            )
            done += 1
        settle(setup, mass, m)
        steps += 1
    return steps, turns
