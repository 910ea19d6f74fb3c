"""Normal equations of the whole record, banded in time, assembled from rows time by time.

Unknowns of time k stand at k n .. (k + 1) n - 1; a row touches k - 1, k, k + 1, so the lower band
has 3 n diagonals (LAPACK lower storage: band[i - j, j]). Shared parameters form the border.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from lashwave.estimate.blocks import BLAS, N, T, call
from lashwave.estimate.course import (
    Course,
    Dynamics,
    SightingRows,
    around,
    laws_of,
    whitening,
)
from lashwave.estimate.gram import add_products, add_sighting, write_block, write_edge
from lashwave.estimate.local_rows import WIDE, far_moves, put_places, windows
from lashwave.estimate.momentum_rows import (
    KernelChain,
    dynamics_rows,
    wanted_shares,
    whitened_residual,
)
from lashwave.estimate.tension_rows import place_of, take_off, tension_rows
from lashwave.estimate.turning import add_inertia_pull, add_sighting_pull, stiffening
from lashwave.mechanics import compiled, in_order, ranges, shared_out
from lashwave.quantities import Array, Mask, Whole


class RowInputs(NamedTuple):
    """What the rows of a record are formed of."""

    course: Course
    axes: Array  # (K, N, 3, 2), of the directions
    reach: Array  # (K, N, 4, 3, 2), `link_reach` of all times
    chain: KernelChain
    dynamics: Dynamics
    spread: Array  # (K, N + 1) [m2/s3], density of the random acceleration
    starts: Whole  # (K + 1,), first sighting of each time
    sightings: SightingRows


@compiled()
def _hand_rows(
    row: Array, x: Array, window: Array, hm: float, hp: float, density: float, driven: Mask
) -> None:
    """White acceleration of the driven nodes: rows in the places that dynamics left empty."""
    f = 1.0 / np.sqrt(density * 0.5 * (hm + hp))
    coefficient = (f / hm, -f / hm - f / hp, f / hp)
    place, none = np.zeros(3), np.zeros(3)
    for i in range(driven.size):
        if not driven[i]:
            continue
        for a in range(3):
            for s in range(3):
                row[i, a, row.shape[2] - 1] += coefficient[s] * x[s, i, a]
                place[a] = coefficient[s]
                put_places(row[i, a], s, none, place, none, window[s, i])
            place[a] = 0.0


@compiled()
def sighting_row(row: Array, node: Whole, p: Array, w: Array, window: Array) -> None:
    """One scalar sighting, p (2, 3) . x [sd] at one node or two neighbours, interpolated over three
    times with weights w (3,) [1]: a row (3 WIDE,) at the first of them."""
    places = np.zeros((3, 3))
    before, whole, after = places[0], places[1], places[2]
    for s in range(3):
        if w[s] != 0.0:
            for a in range(3):
                after[a] = w[s] * p[1, a] if node[1] >= 0 else 0.0
                whole[a] = w[s] * p[0, a] + after[a]
            put_places(row, s, before, whole, after, window[s, node[0]])


class Equations(NamedTuple):
    """What is filled: half the Hessian and gradient of the cost."""

    memory: Array  # (K n deep,), a band in LAPACK's lower storage and Fortran order, as it lies
    deep: int  # its diagonals
    border: Array  # (K n, Q)
    gradient: Array  # (K n + Q,)
    corner: Array  # (Q, Q)
    stiffening: Array  # (K, N) [1/rad2], what `turning` adds to a step's curvature


class Kept(NamedTuple):
    """What a sweep over the times keeps of three of them, time k in slot k % 3."""

    window: Array  # (3, N + 1, 3, 3, 8)
    far: Array  # (3, 3, n)
    square: Array  # (3, N + 1, WIDE, 3 WIDE), of a time with itself and the two after it
    edge: Array  # (3, N + 1, WIDE, Q + 1)
    store: Array  # (3, 3 N, n + laws), of the tensions' rows
    pull: Array  # (3, N + 1, 3) [1/m], gradient by the places of nodes, for `turning`


@compiled()
def _kept(links: int, laws: int, shared: int) -> Kept:
    n = 3 + 2 * links
    return Kept(
        np.zeros((3, links + 1, 3, 3, 8)),
        np.zeros((3, 3, n)),
        np.zeros((3, links + 1, WIDE, 3 * WIDE)),
        np.zeros((3, links + 1, WIDE, shared + 1)),
        np.zeros((3, 3 * links, n + laws)),
        np.zeros((3, links + 1, 3)),
    )


@compiled()
def _enter(kept: Kept, D: Array, k: int) -> None:
    """Time k takes the place of the one that was three before."""
    kept.window[k % 3] = windows(D[k])
    kept.far[k % 3] = far_moves(D[k])


@compiled()
def _add_centre(
    kept: Kept,
    slots: Whole,
    course: Course,
    E: Array,
    hm: float,
    hp: float,
    chain: KernelChain,
    dynamics: Dynamics,
    weight: Array,
    own: tuple[int, int],
    srow: SightingRows,
    corner: Array,
) -> tuple[float, Array]:
    """Rows centred on one time, added to what is kept; returns r' r and tensions (N,).

    course, E hold the three times, in slots (3,); own = its sightings, a range in srow.
    """
    node, p, w, value, tcol, tval = srow
    d = dynamics
    links, laws = course.chord.shape[1], laws_of(course, chain)
    row = np.zeros((links + 1, 3, 3 * WIDE + laws + 1))
    window = np.empty((3, links + 1, 3, 3, 8))
    for s in range(3):
        window[s] = kept.window[slots[s]]
    tension, pull = dynamics_rows(
        row, course.node, course.direction, E, window, course.chord, hm, hp, chain, d.air, d.law,
        d.gravity, weight, course.share[1], course.swing, d.first, d.last,
    )  # fmt: skip
    tension_rows(row, kept.far, pull, weight, d.first, d.last, kept.store, slots, laws)
    _hand_rows(row, course.node, window, hm, hp, d.hand_density, d.driven)
    add_products(row, kept.square, kept.edge, slots)
    add_inertia_pull(kept.pull, slots, row, weight, chain[0], hm, hp)
    rows = row.reshape(-1, row.shape[2])[:, 3 * WIDE :]
    cost = 0.0
    for r in range(rows.shape[0]):
        cost += rows[r, laws] ** 2
        for q in range(laws):
            corner[q, -1] += rows[r, q] * rows[r, laws]
            for other in range(laws):
                corner[q, other] += rows[r, q] * rows[r, other]
    for j in range(links):
        one = kept.store[slots[1], place_of(j, 1, links), 3 + 2 * links :]
        for q in range(laws):
            for other in range(laws):
                corner[q, other] -= one[q] * one[other]
    single = np.zeros(3 * WIDE)
    for r in range(own[0], own[1]):
        single[:] = 0.0
        sighting_row(single, node[r], p[r], w[r], window)
        add_sighting(single, node[r, 0], tcol[r], tval[r], value[r], kept.square, kept.edge, slots)
        add_sighting_pull(kept.pull, slots, node[r], p[r], w[r], value[r])
        cost += value[r] ** 2
        for q in range(tcol.shape[1]):
            if tcol[r, q] >= 0:
                corner[tcol[r, q], -1] += tval[r, q] * value[r]
                for other in range(tcol.shape[1]):
                    if tcol[r, other] >= 0:
                        corner[tcol[r, q], tcol[r, other]] += tval[r, q] * tval[r, other]
    return cost, tension


@compiled()
def _finish(kept: Kept, k: int, count: int, out: Equations, laws: int, blas: Whole) -> None:
    """The columns of time k, all of whose rows are in, into band, border and gradient."""
    slot, n = k % 3, kept.far.shape[2]
    memory, deep = out.memory, out.deep
    start = k * n * deep
    for c in range(n):
        memory[start + c * deep + min(3, count - k) * n - c : start + (c + 1) * deep] = 0.0
    for apart in range(min(3, count - k)):
        other = (k + apart) % 3
        at = start + apart * n
        write_block(memory, deep, at, kept.square[slot], apart, kept.far[slot], kept.far[other])
        take_off(memory, deep, at, kept.store[slot], kept.store[other], apart, n, blas)
    edge = np.empty((n, out.border.shape[1] + 1))
    write_edge(edge, kept.edge[slot], kept.far[slot])
    store = kept.store[slot]
    call(
        blas[0],
        (N, T, laws, n, store.shape[0], -1.0, store[0, n:], store.shape[1], store,
         store.shape[1], 1.0, edge, edge.shape[1]),
    )  # fmt: skip
    out.border[k * n : (k + 1) * n] = edge[:, :-1]
    out.gradient[k * n : (k + 1) * n] = edge[:, -1]


@compiled()
def _columns(
    first: int,
    last: int,
    out: Equations,
    corner: Array,
    cost: Array,
    tension: Array,
    given: RowInputs,
    blas: Whole,
) -> None:
    """The columns of times first ... last - 1, from all rows that touch them."""
    course, chain, dynamics, starts = given.course, given.chain, given.dynamics, given.starts
    count, links = course.chord.shape
    laws = laws_of(course, chain)
    shared = out.border.shape[1]
    kept = _kept(links, laws, shared)
    away = np.empty((shared, shared + 1))
    slots = np.empty(3, dtype=np.int64)
    for k in range(max(first - 2, 0), min(max(first, 2), count)):
        _enter(kept, given.reach, k)
    for k in range(first - 1, last + 1):
        for s in range(3):
            slots[s] = (k - 1 + s) % 3
        if 2 <= k + 1 < count:
            _enter(kept, given.reach, k + 1)
        if 1 <= k < count - 1:
            part, hm, hp = around(course, k)
            weight = whitening(
                given.spread[k], dynamics.node_mass, dynamics.driven, 0.5 * (hm + hp)
            )
            mine = first <= k < last
            found, pull = _add_centre(
                kept, slots, part, given.axes[k - 1 : k + 2], hm, hp, chain, dynamics, weight,
                (starts[k], starts[k + 1]), given.sightings, corner[k] if mine else away,
            )  # fmt: skip
            if mine:
                cost[k], tension[k] = found, pull
        else:
            for s in range(3):
                for j in range(links):
                    kept.store[slots[s], place_of(j, s, links)] = 0.0
        if first <= k - 1 < last:
            _finish(kept, k - 1, count, out, laws, blas)
            stiffening(
                kept.pull[slots[0]], course.direction[k - 1], course.chord[k - 1],
                out.stiffening[k - 1],
            )  # fmt: skip
        kept.square[slots[0]] = 0.0
        kept.edge[slots[0]] = 0.0
        kept.pull[slots[0]] = 0.0


PIECE = 24
"""Times, at least, that a thread takes at a go; rows of two times more are formed for each."""


def assemble(
    out: Equations,
    given: RowInputs,
    own: tuple[int, int] | None = None,
    filled: Callable[[int, int], None] | None = None,
) -> tuple[float, Array]:
    """Fill the equations from all rows; returns cost and tensions (K, N) [N].

    own : the first of the times whose columns are filled, and whose rows count, and the one after
    the last; all where None.
    filled : called in order with the times of each piece, the first and the one after the last,
    when the columns of all up to there are filled; other threads then fill those after them.

    The first five shared parameters are the logarithmic scales of the law, the next those of the
    shapes of stiffness and of drag in the chain, then how far out the line bends where the course
    has a swing.
    """
    count, links = given.course.chord.shape
    shared = out.border.shape[1]
    tension, cost = np.zeros((count, links)), np.zeros(count)
    corners = np.zeros((count, shared, shared + 1))

    first = 0 if own is None else own[0]
    ends = ranges((count if own is None else own[1]) - first, PIECE)
    pieces = [(first + begin, first + end) for begin, end in ends]

    def piece(i: int) -> None:
        _columns(*pieces[i], out, corners, cost, tension, given, BLAS)

    def taken(i: int) -> None:
        if filled is not None:
            filled(*pieces[i])

    in_order(piece, taken, len(pieces))
    inner = count * (3 + 2 * links)
    out.corner[:] = corners[:, :, :shared].sum(axis=0)
    out.gradient[inner:] = corners[:, :, shared].sum(axis=0)
    return float(cost.sum()), tension


@compiled()
def _dynamics_cost(
    first: int,
    last: int,
    by_node: Array,
    tension: Array,
    course: Course,
    chain: KernelChain,
    dynamics: Dynamics,
    spread: Array,
) -> None:
    """`dynamics_cost` of times first ... last - 1."""
    d = dynamics
    count, links = course.chord.shape
    for k in range(max(first, 1), min(last, count - 1)):
        part, hm, hp = around(course, k)
        h = 0.5 * (hm + hp)
        weight = whitening(spread[k], d.node_mass, d.driven, h)
        rhs, tension[k] = whitened_residual(
            part.node, part.direction, part.chord, hm, hp, chain, d.air, d.law, d.gravity, weight,
            part.share[1], d.first, d.last,
        )  # fmt: skip
        x = part.node
        f = 1.0 / np.sqrt(d.hand_density * h)
        for i in range(links + 1):
            if d.driven[i]:
                for a in range(3):
                    rise = (x[2, i, a] - x[1, i, a]) / hp - (x[1, i, a] - x[0, i, a]) / hm
                    rhs[3 * i + a] = f * rise
            for a in range(3):
                by_node[k, i] += rhs[3 * i + a] ** 2


def dynamics_cost(
    course: Course, chain: KernelChain, dynamics: Dynamics, spread: Array
) -> tuple[Array, Array]:
    """Squared whitened dynamics residual by time and node (K, N + 1) [1], tensions (K, N) [N].

    spread : density of the random acceleration (K, N + 1) [m2/s3].
    """
    count, links = course.chord.shape
    by_node, tension = np.zeros((count, links + 1)), np.zeros((count, links))

    pieces = ranges(count, PIECE)

    def piece(i: int) -> None:
        _dynamics_cost(*pieces[i], by_node, tension, course, chain, dynamics, spread)

    shared_out(piece, len(pieces))
    return by_node, tension


@compiled()
def shares_wanted(course: Course, chain: KernelChain, dynamics: Dynamics, spread: Array) -> Array:
    """Shares (K, N) of the times before and after that a course's own pull asks for.

    spread : density of the random acceleration (K, N + 1) [m2/s3].
    """
    d = dynamics
    share = np.zeros(course.chord.shape)
    for k in range(1, course.time.size - 1):
        part, hm, hp = around(course, k)
        weight = whitening(spread[k], d.node_mass, d.driven, 0.5 * (hm + hp))
        share[k] = wanted_shares(
            part.node, part.direction, part.chord, hm, hp, chain, d.air, d.law, d.gravity, weight,
            d.first, d.last,
        )  # fmt: skip
    return share
