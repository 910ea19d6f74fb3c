"""Draws of a long record and its motion, a piece at a time, from the last piece to the first.

A draw is one motion of the whole record: every piece continues the one after it, and shares its
parameters with all. Speeds are slopes of splines through the times, so a piece is drawn with `EDGE`
times to either side, by which a spline has forgotten where it ends (a factor of four a time).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.by_stretch import sighted
from lashwave.estimate.diagnosis import (
    energy_share,
    fall_of,
    hint_of,
    residuals_of,
    warnings_of,
)
from lashwave.estimate.divided import Divided, Eliminated
from lashwave.estimate.forbidden import (
    energy_warnings,
    work_warnings,
)
from lashwave.estimate.joint import Joint
from lashwave.estimate.long_record import LongJoint
from lashwave.estimate.posterior import (
    SHARED_MODEL_SD,
    Beside,
    Field,
    beside_of,
    bounded,
    field_at,
    motions,
)
from lashwave.estimate.stretches import Stretch
from lashwave.quantities import Array, Draws, Residuals

EDGE = 16
"""Times beside a piece."""

Noise = Callable[[int, int], Array]
"""Standard normal numbers (k n, D) for the unknowns of times first ... last - 1."""


@dataclass(frozen=True)
class Piece:
    """Draws and motion at some of a record's times, and at the one after them."""

    first: int
    """Number of its first time."""
    last: int
    """Number of the one after its last: there it has values too, but at the record's end."""
    draws: Draws
    field: Field
    around: Draws
    """The draws with up to `EDGE` times more to either side."""
    before: int
    """Number of the piece's first time among these."""


def shared_draws(long: LongJoint, rng: np.random.Generator) -> Array:
    """(Q, D) draws of the shared parameters less the fitted, each in its own unit (scales [1]).

    With `SHARED_MODEL_SD` put on the cameras', and followed by the rest as `posterior.followed` has
    it: the motion follows by itself, as it is drawn given these.
    """
    root, setup = long.forward.corner, long.setup
    q, draws = root.shape[0], setup.options.draws
    step = np.linalg.solve(root.T, rng.standard_normal((q, draws)))
    names = setup.shared.names
    column = [i for i, name in enumerate(names) if name.split(":")[0] in SHARED_MODEL_SD]
    if column:
        share = np.array([SHARED_MODEL_SD[names[i].split(":")[0]] for i in column])
        cover = np.linalg.solve(root.T, np.linalg.solve(root, np.eye(q)[:, column]))
        own = np.sqrt(np.diag(cover[column]))
        added = (share * own)[:, None] * rng.standard_normal((len(column), draws))
        step += cover @ np.linalg.solve(cover[column], added)
    return np.asarray(step, dtype=float)


def drawn(long: LongJoint, shared: Array, noise: Noise) -> Iterator[tuple[Stretch, Array]]:
    """Draws of the Gaussian by stretches, from the last to the first, (k n, D) [rad] of each.

    shared : (Q, D), draws of the shared parameters less the fitted, in their own units.
    """

    def right(e: Eliminated, s: Stretch) -> Array:
        return noise(s.first, s.last) - e.right[: e.own, : shared.shape[0]] @ shared

    problem, n = Divided(long.division), long.setup.unknowns
    for s, body in problem.backward(long.path, long.forward, long.damping, right, plain=True):
        yield s, body[: (s.last - s.first) * n]


def pieces(long: LongJoint) -> Iterator[Piece]:
    """Every piece of a long record, from the last to the first."""
    setup, n = long.setup, long.setup.unknowns
    rng = np.random.default_rng(setup.options.seed)
    shared = shared_draws(long, rng)
    beside = beside_of(setup, long.path.shared, shared, rng)

    def noise(first: int, last: int) -> Array:
        own = np.random.default_rng([setup.options.seed, first])
        return own.standard_normal(((last - first) * n, shared.shape[1]))

    after = np.zeros((0, shared.shape[1]))
    waiting: Array | None = None
    number = long.division.cuts.size - 1
    for _, body in drawn(long, shared, noise):
        if waiting is not None:
            step = np.concatenate([body[-EDGE * n :], waiting, after, shared])
            yield _piece(long, number, step, beside)
            after = waiting[: EDGE * n].copy()
        waiting, number = body, number - 1
    assert waiting is not None  # there is a first stretch
    yield _piece(long, 0, np.concatenate([waiting, after, shared]), beside)


def _piece(long: LongJoint, number: int, step: Array, beside: Beside) -> Piece:
    """The stretch of that number, drawn with its edges: step ((k + edges) n + Q, D) [rad]."""
    s = long.division.stretch(long.path, number, EDGE)
    draws = motions(long.setup, s.path, s.density, bounded(long.setup, step), beside)
    field = field_at(long.setup, s.path, s.density, draws)
    own = slice(s.own[0], s.own[1] + 1)
    return Piece(
        s.first, s.last, _at_times(draws, own), _field_at_times(field, own), draws, s.own[0]
    )


def _at_times(draws: Draws, own: slice) -> Draws:
    cut: dict[str, Any] = {
        name: getattr(draws, name)[:, own]
        for name in (
            "position", "velocity", "tension", "hand_force", "hand_power", "kinetic_energy"
        )
    }  # fmt: skip
    return replace(draws, time=draws.time[own], **cut)


def _field_at_times(field: Field, own: slice) -> Field:
    names = (f.name for f in fields(field) if f.name != "station")
    return replace(field, **{name: getattr(field, name)[own] for name in names})


def judged(long: LongJoint) -> tuple[Residuals, tuple[str, ...], str]:
    """Sightings against the motion, what the user must know of it, and where to look.

    Raises
    ------
    NotConvergedError : where the motion cannot be believed.
    """
    seen = sighted(long.division, long.path).as_seen()
    none = np.zeros((0, 0))
    joint = Joint(
        long.path, long.division.density, long.division.weights, long.division.anchor, none, seen,
        eq.Factor(none, none, none, long.setup.unknowns), long.history, long.converged,
        long.excess, long.clock_warnings,
    )  # fmt: skip
    said, hint = warnings_of(long.setup, joint), hint_of(long.setup, joint)
    said += energy_warnings(long.path.time, energy_share(long.setup, joint), hint)
    return residuals_of(long.setup, joint), said, hint


def judged_work(long: LongJoint, power: Array, kinetic: Array, hint: str) -> tuple[str, ...]:
    """What draws of the hand's power (D, K) [W] and of kinetic energy (D, K) [J] say of the work.

    Raises
    ------
    NotConvergedError : where the work could be anything.
    """
    return work_warnings(long.path.time, power, kinetic, fall_of(long.setup), hint)
