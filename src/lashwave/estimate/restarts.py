"""Where a slack stretch that nothing sees may have fallen another way, and starts that do.

A stretch under compression has no side to fall to: what it did before tells the side, and where it
is out of sight too little is known of that. So the motion is taken up where the stretch is about to
be lost, with what the record said until then and nothing later (`sweep.eliminated`, a normal
distribution). It is pushed by some deviations each way along the two directions in which it is
least known for what follows, and forecast by the mechanics until the stretch is seen again. Of the
forecasts that fall elsewhere those that agree best with what is seen meanwhile are fitted to it in
that window, the rest of the record held, and are starts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.joint import Joint, Start
from lashwave.estimate.levenberg import CostProblem, Newton, Search, descend, diagonal
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, displaced, from_nodes, moved, with_shares
from lashwave.estimate.posterior import tension_of
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Weights, camera_times, look
from lashwave.estimate.stretches import cut_trial, cut_weights, points_within, rows_within
from lashwave.estimate.sweep import Forecaster, eliminated
from lashwave.estimate.weighing import robust_loss
from lashwave.quantities import DISTRUSTED, Array, Mask, NotConvergedError

FAR = 0.08
"""A node is out of sight that is further than this from all that is seen [m]."""
LATELY = 4e-3
"""Seen is what has a sample within this time [s], and within two and a half samples."""
LASTS, PAUSE = 3e-3, 5e-3
"""How long a stretch is slack and lost, at least, and what interrupts that no more [s]."""
BEFORE, AFTER = 2e-3, 8e-3
"""How long before a loss a window begins, and how long after it ends [s]."""
PUSHES = (0.5, 1.2, 2.5)
"""Deviations, each way."""
TELLS = 5e-3
"""A direction whose greatest push moves no place that far by `LOOKS` is known well enough [m]."""
WAYS = 2
"""Directions that are pushed along."""
LOOKS = 5e-3
"""Where a direction counts by what it does to the places after this time [s]."""
ELSEWHERE = 0.02
"""A forecast that stays so near the motion found falls nowhere else [m]."""
WINDOWS, STARTS = 2, 2
"""Losses that are tried at most, those in which most is lost; starts of each."""
LADDER, STEPS = (100.0, 10.0, 1.0), 5
"""Factors on the density of the random acceleration in a window, and steps with each."""
BEYOND = 60.0
"""How much more a window may cost than with the motion found, for a start to be followed."""
HELD, HOLD = 3, 1e12
"""Times at either end of a window that stay, and the damping that holds them [1/rad2]."""


@dataclass(frozen=True)
class Loss:
    """A stretch of the line that is slack and out of sight for some time."""

    first: int
    """Number of the last time before it."""
    last: int
    """Of the time at which it is over, or of the record's last."""
    nodes: Mask
    """(N + 1,)"""
    size: float
    """[m s]"""


def sighted(setup: FitSetup, joint: Joint) -> Mask:
    """(K, N + 1), which nodes are near something that is trusted and seen at about that time."""
    markers, time, station = setup.trial.markers, joint.path.time, setup.chain.station
    used = np.isfinite(markers.position).all(-1) & (joint.weights.marker >= DISTRUSTED)
    lately = max(LATELY, 2.5 / markers.rate)
    near = np.tile(station <= setup.trial.line.handle_length + FAR, (time.size, 1))
    tracks = [
        (place, markers.time[used[:, i]])
        for i, place in enumerate(markers.station)
        if np.isfinite(place)
    ]
    for c in setup.trial.cameras:
        good = joint.weights.camera[c.name] >= DISTRUSTED
        when = camera_times(setup, c, joint.path.shared)
        tracks += [(s, when[good & (c.station == s)]) for s in np.unique(c.station)]
    for place, when in tracks:
        if when.size:
            at = np.clip(np.searchsorted(when, time), 1, max(when.size - 1, 1))
            off = np.abs(time[:, None] - when[np.minimum([at - 1, at], when.size - 1)].T).min(1)
            near |= (off <= lately)[:, None] & (np.abs(station - place) <= FAR)
    return near


def losses(setup: FitSetup, joint: Joint) -> list[Loss]:
    """Where the motion is slack and out of sight, the greatest loss first."""
    path, chain = joint.path, setup.chain
    pull = np.nan_to_num(tension_of(setup, path, joint.density, path.node), nan=1.0)
    slack = np.pad(pull < 0.0, ((0, 0), (1, 0)))
    lost = slack & ~sighted(setup, joint)
    k = np.flatnonzero(lost.any(axis=1))
    runs = np.split(k, np.flatnonzero(np.diff(path.time[k]) > PAUSE) + 1) if k.size else []
    step, long = np.gradient(path.time), np.append(chain.length, 0.0)
    found = []
    for run in runs:
        begin, end = path.time[run[0]], path.time[run[-1]]
        if end - begin >= LASTS:
            first = max(int(np.searchsorted(path.time, begin - BEFORE)), HELD)
            last = min(int(np.searchsorted(path.time, end + AFTER)), path.time.size - 1)
            size = float(step[run] @ (lost[run] @ long))
            if last > first + 1:
                found.append(Loss(first, last, np.asarray(lost[run].any(axis=0)), size))
    return sorted(found, key=lambda loss: -loss.size)


def pushes(setup: FitSetup, joint: Joint, loss: Loss) -> Iterator[tuple[int, tuple[Array, Array]]]:
    """Places (N + 1, 3) [m] and velocities (N + 1, 3) [m/s] to be added to the motion at the first
    time of a loss, as what was seen until then leaves open; each with the way that it goes."""
    known = eliminated(
        setup, joint.path, joint.density, joint.weights, joint.anchor, loss.first - 1
    )
    two = joint.path.part(loss.first - 1, loss.first + 1)
    reach, still = two.reach(setup), two.node
    size = known.matrix.shape[1]
    steps = np.concatenate([np.eye(size), np.zeros((setup.shared.mean.size, size))])
    moves = np.stack([displaced(two, reach, one) - still for one in steps.T], axis=-1)
    rate = (moves[1] - moves[0]) / (two.time[1] - two.time[0])
    later = (moves[1] + LOOKS * rate)[loss.nodes].reshape(-1, size)
    open_ = np.linalg.inv(known.matrix)
    u, sizes, ways = np.linalg.svd(later @ open_, full_matrices=False)
    moved_by = PUSHES[-1] * sizes * np.linalg.norm(u.reshape(-1, 3, sizes.size), axis=1).max(0)
    ways = ways[:WAYS][moved_by[:WAYS] > TELLS]
    for i, way in enumerate([*ways, *-ways]):
        for push in PUSHES:
            step = open_ @ (push * way - known.offset)
            yield i, (moves[1] @ step, rate @ step)


def _fallen(setup: FitSetup, joint: Joint, loss: Loss, push: tuple[Array, Array]) -> Path | None:
    """The motion with a window forecast from a push; None where it falls nowhere else."""
    from scipy.interpolate import CubicSpline

    path = joint.path
    head = path.part(0, loss.first + 1)
    until = float(path.time[loss.last])
    future = Forecaster(setup).ahead(head, until, push)
    cut = slice(loss.first + 1, loss.last + 1)
    node = path.node.copy()
    node[cut] = CubicSpline(future.time, future.node, axis=0)(path.time[cut])
    if np.linalg.norm(node - path.node, axis=-1)[:, loss.nodes].max() < ELSEWHERE:
        return None
    return from_nodes(setup, path.time, node, path.shared.copy())


@dataclass(frozen=True)
class HeldWindow:
    """Some times of the record, the rest and the shared parameters held."""

    setup: FitSetup
    density: Array
    """(k, N + 1) [m2/s3]"""
    weights: Weights
    room: eq.BandMemory
    held: Mask
    """(k,), times that stay."""

    def cost(self, path: Path) -> float:
        """At a path [1]."""
        return eq.cost_of(self.setup, path, self.density, self.weights, None)

    def newton(self, path: Path, damping: float) -> Newton:
        """The equations at a path, solved; raises LinAlgError where they are not definite."""
        n = eq.build(self.setup, path, self.density, self.weights, None, self.room)
        hold = diagonal(n, damping) + np.repeat(HOLD * self.held, n.unknowns)
        f = eq.factor(n, hold, hold_shared=True, overwrite=True)
        step = np.zeros(n.gradient.size)
        size = f.band.shape[1]
        step[:size] = -eq.solve(f, n.gradient[:size])
        step[:size] *= np.repeat(~self.held, n.unknowns)
        return Newton(n.cost, n.gradient, step, n.axes)

    def moved(self, path: Path, axes: Array | None, step: Array) -> Path:
        """The path after a step (K n + Q,) [rad, shared in their own units]."""
        return moved(self.setup, path, path.axes if axes is None else axes, step)


def _window(setup: FitSetup, joint: Joint, path: Path, begin: int, end: int) -> HeldWindow:
    """The window of times begin ... end - 1 of a path, with the weights of the motion found."""
    first, last = float(path.time[begin]), float(path.time[end - 1])
    rows = rows_within(setup.trial.markers.time, first, last)
    points = {
        c.name: points_within(setup, c, path.shared, first, last) for c in setup.trial.cameras
    }
    own = replace(setup, trial=cut_trial(setup.trial, rows, points))
    held = np.ones(end - begin, dtype=bool)
    held[HELD : None if end == path.time.size else -HELD] = False
    density = joint.density[begin:end]
    weights = cut_weights(joint.weights, rows, points)
    return HeldWindow(own, density, weights, eq.BandMemory(), held)


def settled(setup: FitSetup, joint: Joint, loss: Loss, path: Path) -> Path | None:
    """The motion fitted within a loss's window, from a start that falls another way there; None
    where it costs more by far than the motion found."""
    begin, end = loss.first - HELD, min(loss.last + 1 + 2 * HELD, path.time.size)
    window = _window(setup, joint, path, begin, end)
    search = Search(path.part(begin, end))
    for loose in LADDER:
        density = loose * joint.looseness * spread(window.setup, search.path)
        stage = replace(window, density=density)
        search.path = with_shares(window.setup, search.path, density)

        def problem(_: Path, stage: HeldWindow = stage) -> CostProblem:
            return stage

        descend(problem, search, STEPS, 1e-2)
    new = search.path
    wide = replace(window, density=np.maximum(stage.density, window.density))
    ways = (
        with_shares(window.setup, one, wide.density) for one in (new, joint.path.part(begin, end))
    )
    other, found = (wide.cost(one) for one in ways)
    if not other < found + BEYOND:
        return None
    direction, base, chord = path.direction.copy(), path.base.copy(), path.chord.copy()
    direction[begin:end], base[begin:end], chord[begin:end] = new.direction, new.base, new.chord
    return replace(path, direction=direction, base=base, chord=chord, share=None, swing=None)


def restarts(setup: FitSetup, joint: Joint) -> Iterator[Start]:
    """Paths that fall another way where the motion found is slack and out of sight.

    setup : the problem as the motion was fitted.
    """
    for loss in losses(setup, joint)[:WINDOWS]:
        try:
            paths = _likeliest(setup, joint, loss)
        except (NotConvergedError, np.linalg.LinAlgError):  # nothing holds the motion until then
            continue
        for path in paths:
            other = settled(setup, joint, loss, path)
            if other is not None:
                yield Start(other, setup.shared)


def _likeliest(setup: FitSetup, joint: Joint, loss: Loss) -> list[Path]:
    """Of the forecasts that fall another way those that agree best with the window's sightings,
    one a way."""
    from lashwave.mechanics import SimulationError

    begin, end = loss.first, loss.last + 1
    window = _window(setup, joint, joint.path, begin, end)
    found: dict[int, tuple[float, Path]] = {}
    for way, push in pushes(setup, joint, loss):
        try:
            path = _fallen(setup, joint, loss, push)
        except SimulationError:
            continue
        if path is not None:
            seen = look(window.setup, path.part(begin, end), window.weights)
            off = sum(
                float(robust_loss(r, setup.options.degrees).sum())
                for r in (seen.marker, *seen.camera.values())
            )
            if off < found.get(way, (np.inf, path))[0]:
                found[way] = off, path
    return [path for _, path in sorted(found.values(), key=lambda one: one[0])][:STARTS]
