"""The normal equations of a long record, solved exactly with one stretch of them in memory.

Eliminated forward in time, a stretch leaves to the next only what it says of that one's first three
times and of the shared parameters: its carry. Backward, each stretch is formed and factored again
from the carry that came to it, and solved from the times after it. So a step takes twice the work
of one whose factor is kept, and memory for one stretch and the carries, whatever the record lasts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.blocks import backward, factor_in_place, forward
from lashwave.estimate.elimination import AHEAD
from lashwave.estimate.levenberg import Newton, diagonal
from lashwave.estimate.path import Path, chords, turned
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.stretches import Division, Stretch
from lashwave.quantities import Array


@dataclass(frozen=True)
class Carry:
    """What all earlier times say of the next three, and of these with the shared parameters."""

    band: Array
    """(D, 3 n), added to their columns of the band."""
    right: Array
    """(3 n, Q + 1), added to their border and gradient."""


@dataclass(frozen=True)
class Eliminated:
    """A stretch that has been eliminated: its factor, and what it leaves."""

    band: Array
    """(D, (k + 3) n), factor of its own columns."""
    right: Array
    """((k + 3) n, Q + 1), the factor's inverse applied to border and gradient."""
    own: int
    """k n, its own columns."""
    corner: Array
    """(Q, Q), and `gradient`: the shared parameters' own, from its rows alone."""
    gradient: Array
    """(k n + Q,) [1/rad, shared parameters' in their own units]"""
    cost: float

    @property
    def carry(self) -> Carry:
        """What it leaves to the next."""
        return Carry(self.band[:, self.own :].copy(order="F"), self.right[self.own :].copy())


def eliminate(s: Stretch, carry: Carry | None, damping: float, plain: bool, room: eq.BandMemory
              ) -> Eliminated:  # fmt: skip
    """Form the equations of a stretch and eliminate its own times.

    damping : [1/rad2], as `levenberg.diagonal` has it, or of every unknown alike where `plain`.

    Raises
    ------
    NotDefiniteError : with the number of the time in the record.
    """
    normal = eq.build(s.setup, s.path, s.density, s.weights, s.anchor, room, s.own)
    n, q, (first, last) = s.setup.unknowns, normal.corner.shape[0], s.own
    tail = min(AHEAD, s.path.time.size - last)
    own, cut = (last - first) * n, slice(first * n, last * n)
    band = normal.band[:, first * n : (last + tail) * n]
    band[:, own:] = 0.0
    right = np.zeros((band.shape[1], q + 1))
    right[:own, :q], right[:own, q] = normal.border[cut], normal.gradient[cut]
    if carry is not None:
        band[:, : AHEAD * n] += carry.band
        right[: AHEAD * n] += carry.right
    band[0, :own] += damping if plain else diagonal(normal, damping)[cut]
    failed = factor_in_place(band, n, own)
    if failed:
        raise eq.NotDefiniteError(s.first + (failed - 1) // n)
    gradient = np.concatenate([normal.gradient[cut], normal.gradient[-q:]])
    right = forward(band, right, n, own)
    return Eliminated(band, right, own, normal.corner, gradient, normal.cost)


@dataclass(frozen=True)
class Forward:
    """What the pass forward leaves: enough to go back."""

    carries: tuple[Carry | None, ...]
    """Into each stretch."""
    corner: Array
    """(Q, Q), lower factor of the shared parameters' Schur complement."""
    shared: Array
    """(Q,), gradient by the shared parameters with all motion eliminated."""
    gradient: Array
    """(K n + Q,) [1/rad, shared parameters' in their own units]"""
    cost: float
    decrement: float
    """Of twice the cost, by a whole step, to second order [1]."""


@dataclass(frozen=True)
class Divided:
    """The problem of a whole record as `levenberg.descend` takes it, one stretch at a time."""

    division: Division
    room: eq.BandMemory = field(default_factory=eq.BandMemory)

    @property
    def setup(self) -> FitSetup:
        """That of the record."""
        return self.division.setup

    def cost(self, path: Path) -> float:
        """At a path [1]."""
        return sum(
            eq.cost_of(s.setup, s.path, s.density, s.weights, s.anchor, s.own)
            for s in self.division.all(path)
        )

    def moved(self, path: Path, axes: Array | None, step: Array) -> Path:
        """The path after a step (K n + Q,) [rad, shared in their own units]; axes are its own."""
        return moved_along(self.division, path, step)

    def newton(self, path: Path, damping: float) -> Newton:
        """The equations at a path, solved; raises LinAlgError where they are not definite."""
        f = self.forward(path, damping)
        shared = np.linalg.solve(f.corner.T, np.linalg.solve(f.corner, f.shared))
        q = shared.size
        step = np.empty(f.gradient.size)
        step[-q:] = -shared

        def right(e: Eliminated, _s: Stretch) -> Array:
            return -(e.right[: e.own, q:] - e.right[: e.own, :q] @ shared[:, None])

        for s, body in self.backward(path, f, damping, right):
            n = s.setup.unknowns
            step[s.first * n : s.last * n] = body[: (s.last - s.first) * n, 0]
        return Newton(f.cost, f.gradient, step)

    def forward(self, path: Path, damping: float, plain: bool = False) -> Forward:
        """Eliminate stretch after stretch; damping [1/rad2] as `eliminate` takes it."""
        setup = self.setup
        n, q = setup.unknowns, setup.shared.mean.size
        gradient = np.zeros(path.time.size * n + q)
        corner, shared, cost, fall = np.zeros((q, q)), np.zeros(q), 0.0, 0.0
        carries: list[Carry | None] = [None]
        for s in self.division.all(path):
            e = eliminate(s, carries[-1], damping, plain, self.room)
            coupling = e.right[: e.own, :q]
            corner += e.corner - coupling.T @ coupling
            shared += e.gradient[-q:] - coupling.T @ e.right[: e.own, q]
            gradient[s.first * n : s.last * n] = e.gradient[:-q]
            gradient[-q:] += e.gradient[-q:]
            cost += e.cost
            fall += float(e.right[: e.own, q] @ e.right[: e.own, q])
            carries.append(e.carry)
        root = np.asarray(np.linalg.cholesky(corner), dtype=float)
        rest = np.linalg.solve(root, shared)
        fall += float(rest @ rest)
        return Forward(tuple(carries[:-1]), root, shared, gradient, cost, fall)

    def backward(
        self,
        path: Path,
        f: Forward,
        damping: float,
        right: Callable[[Eliminated, Stretch], Array],
        plain: bool = False,
    ) -> Iterator[tuple[Stretch, Array]]:
        """The stretches from the last to the first, each with its solution.

        right : L times the solution (k n, C) of an eliminated stretch [rad]. The solution has the
        three times after the stretch, too: ((k + 3) n, C).
        """
        n = self.setup.unknowns
        after = np.zeros((0, 0))
        for i in range(self.division.cuts.size - 2, -1, -1):
            s = self.division.stretch(path, i)
            e = eliminate(s, f.carries[i], damping, plain, self.room)
            own = right(e, s)
            known = after if after.size else np.zeros((0, own.shape[1]))
            solved = backward(e.band, np.concatenate([own, known]), n, e.own)
            after = solved[: AHEAD * n].copy()
            yield s, solved


def moved_along(division: Division, path: Path, step: Array) -> Path:
    """The path after a step (K n + Q,) [rad, shared in their own units], a stretch at a time."""
    n, setup = division.setup.unknowns, division.setup
    base, direction = np.empty_like(path.base), np.empty_like(path.direction)
    chord = np.empty_like(path.chord)
    for first, last in zip(division.cuts[:-1], division.cuts[1:], strict=True):
        part, cut = path.part(first, last), slice(first, last)
        body = step[first * n : last * n].reshape(last - first, n)
        angle = body[:, 3:].reshape(last - first, -1, 2)
        base[cut] = part.base + body[:, :3]
        direction[cut] = turned(part.direction, part.axes, angle)
        chord[cut] = chords(setup, direction[cut])
    shared = path.shared + step[path.time.size * n :]
    return replace(path, base=base, direction=direction, chord=chord, shared=shared)
