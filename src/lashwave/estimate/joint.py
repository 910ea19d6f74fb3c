"""The joint fit: all sightings at once, the cameras let in by degrees, the robust loss last."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor, shape_prior
from lashwave.estimate.clock_scan import clock_caution, probabilities, scanned
from lashwave.estimate.elimination import Elimination
from lashwave.estimate.folds import fold_spread
from lashwave.estimate.levenberg import Search, minimise
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, on_grid
from lashwave.estimate.setup import FitSetup, Shared, held_scales, standing_off
from lashwave.estimate.sighting_rows import Seen, Weights, look, tail_weights
from lashwave.estimate.stand_off import WIDEST, arms_followed, learnt, slow_times
from lashwave.estimate.time_grid import march, rotation_rate, wanted_step
from lashwave.quantities import DISTRUSTED, Array

StageProgress = Callable[[str, float], None]
WITHIN = 60.0
"""How much more a way of a clock may cost when the cameras are in, for it to be followed to its own
minimum: no path is at one by then."""
ELSEWHERE = 2e-3
"""How far apart two ways of a clock must be then for them not to be one [m]."""
CAMERA_STEPS = ((30.0, 1), (6.0, 1), (1.5, 2))
"""The camera's standard deviation [px] while it is let in, and the steps taken with it."""
LADDER = (100.0, 20.0, 4.0, 1.0, 0.5)
"""Factors on the stated density of the random acceleration. From a loose model to a tight one the
path needs short steps only; a tight one at once needs many."""
LONGEST, PATIENT = 10, 40
"""Most steps on the first rung, and on one that the cost does not yet agree with: a grip whose
direction only the line tells turns slowly into place."""
LAST_STEP = 0.15
"""Root mean square of the next step, in standard deviations, at which the fit counts as done."""
CONSISTENT = 1.05
"""Cost over degrees of freedom up to which the model is tightened further."""


@dataclass(frozen=True)
class Start:
    """A path from which another motion may be found, and what is known beforehand with it."""

    path: Path
    shared: Shared


@dataclass(frozen=True)
class Joint:
    """The joint fit at its minimum."""

    path: Path
    density: Array
    weights: Weights
    anchor: Anchor
    axes: Array
    """Tangent axes in which the factored unknowns turn the links."""
    seen: Seen
    factor: eq.Factor
    """Of the normal equations."""
    history: tuple[dict[str, float], ...]
    converged: bool
    excess: float
    """Cost over degrees of freedom before the last correction of the density."""
    clock_warnings: tuple[str, ...] = ()
    """Of the cameras' clocks, before they were let in."""
    looseness: float = 1.0
    """Factor on the stated density of the random acceleration."""
    held: FitSetup | None = None
    """The problem as it was fitted: scales held, clocks as their flashes bound them."""
    stand_off: float = 0.0
    """Of markers from the axis [m], where the sightings ask for one that nobody stated."""
    beside: tuple[Start, ...] = ()
    """Other ways that cost little more when the cameras were let in."""


def regridded(setup: FitSetup, path: Path, kept: int = 0) -> Path:
    """The path on a grid as its own rotation asks; the first `kept` intervals stay."""
    o = setup.options
    rate = rotation_rate(path)
    fine, step = wanted_step(path.time, rate, o.turn, o.longest_step, o.shortest_step)
    time = march(float(path.time[kept]), float(path.time[-1]), fine, step, 0.12)
    return on_grid(setup, path, np.concatenate([path.time[:kept], time]))


def reweighted(setup: FitSetup, path: Path, weights: Weights) -> Weights:
    """Robust weights at a path, and what its folds leave open."""
    own = replace(weights, folds=fold_spread(setup, path))
    seen = look(setup, path, replace(own, marker=np.ones_like(weights.marker)))
    degrees = setup.options.degrees
    return replace(
        own,
        marker=tail_weights(seen.marker, degrees),
        camera={name: tail_weights(r, degrees) for name, r in seen.camera.items()},
    )


FARTHEST = 15.0
"""A sample is left out of a rung beyond this many deviations ..."""
FAR = 10.0
"""... and beyond this many times the median sample."""


def without_outliers(setup: FitSetup, path: Path, weights: Weights) -> Weights:
    """Marker samples far from the path left out, by what is far for the path as good as it is."""
    seen = look(setup, path, replace(weights, marker=np.ones_like(weights.marker)))
    off = np.linalg.norm(np.nan_to_num(seen.marker), axis=-1)
    used = np.isfinite(seen.marker).any(-1)
    limit = max(FARTHEST, FAR * float(np.median(off[used]))) if used.any() else np.inf
    return replace(weights, marker=np.where(used & (off > limit), 0.0, 1.0))


def trusted(weights: Weights) -> Weights:
    """The same without what is distrusted: a ghost is no fault of the mechanics."""
    return replace(
        weights,
        marker=np.where(weights.marker < DISTRUSTED, 0.0, weights.marker),
        camera={n: np.where(w < DISTRUSTED, 0.0, w) for n, w in weights.camera.items()},
    )


def degrees_of_freedom(setup: FitSetup, path: Path, seen: Seen) -> float:
    """Rows less unknowns: what the cost comes to where model and noise are as stated."""
    inner = path.time.size - 2
    free = int((~setup.driven).sum())
    dynamics = inner * (3 * (setup.chain.links + 1) - min(free, setup.last_link - setup.first_link))
    return float(dynamics + seen.rows[3].size - path.time.size * setup.unknowns)


class _Stages:
    """The stages of the fit, one search carried through all of them."""

    def __init__(
        self,
        setup: FitSetup,
        path: Path,
        weights: Weights,
        progress: StageProgress,
        before: Anchor | None = None,
    ) -> None:
        self.setup, self.weights, self.progress = setup, weights, progress
        self.before = before
        self.factor = LADDER[0]
        self.clock_warnings: tuple[str, ...] = ()
        self.beside: tuple[Start, ...] = ()
        self.search = Search(path)
        self.regrid()

    def regrid(self) -> None:
        """A grid that suits the path as it is now, and the density and prior that go with it."""
        self.search.path = regridded(self.setup, self.search.path, int(self.before is not None))
        self.anchor = self.before or shape_prior(self.setup, self.search.path)
        self.density = spread(self.setup, self.search.path)

    def follow_arms(self) -> None:
        """Markers' arms in the axes of the path as it is now.

        As long as a stand-off is a spread, all motions agree with the model: how far that is to be
        trusted says only what is stated.
        """
        followed = arms_followed(self.setup, self.search.path, self.weights)
        if followed.across is not None and self.weights.across is None:
            self.factor = max(self.factor, 1.0)
        self.weights = followed

    def learn_arms(self) -> float:
        """Stand-off [m] of markers that nobody stated, its arms then fitted too; 0 for none."""
        path = self.search.path
        wide = standing_off(self.setup, WIDEST)
        arms = wide.shared.mean.size - path.shared.size
        still = replace(path, shared=np.append(path.shared, np.zeros(arms)))
        weights = arms_followed(wide, still, self.weights)
        slow = still.part(0, slow_times(still.time))
        density = self.density[: slow.time.size] * self.factor
        found = final(wide, slow, density, weights, self.anchor, self.search.room)
        size = learnt(*found, arms)
        if size > 0.0:
            self.setup = standing_off(self.setup, size)
            self.search.path = still
            self.follow_arms()
            self.weights = without_outliers(self.setup, self.search.path, self.weights)
            self.run("markers off the axis", 0.86, 10, 1e-3)
            self.reweigh()
            self.run("robust weights", 0.88, 4, 1e-3)
        return size

    def reweigh(self) -> None:
        """Robust weights and axes across the line, at the path as it is now."""
        self.weights = reweighted(self.setup, self.search.path, self.weights)
        self.follow_arms()

    def run(self, what: str, share: float, iterations: int, tolerance: float) -> None:
        """Some steps with the weights and the density as they stand."""
        self.progress(f"{what}, {self.search.path.time.size} times", share)
        self.search.damping = min(self.search.damping, 1.0)
        minimise(
            self.setup, self.search, self.density * self.factor, self.weights, self.anchor,
            iterations, tolerance=tolerance,
        )  # fmt: skip

    def tighten(self) -> None:
        """Down the ladder until the cost says that the model is trusted as far as it deserves."""
        for i, factor in enumerate(LADDER):
            before, self.factor = self.factor, factor
            kept = self.search.path
            self.weights = without_outliers(self.setup, kept, self.weights)
            self.run("markers and mechanics", 0.30 + 0.03 * i, LONGEST if i == 0 else 3, 3e-2)
            if i and self.excess() > CONSISTENT:
                self.run("markers and mechanics", 0.31 + 0.03 * i, PATIENT, 3e-2)
            if i and self.excess() > CONSISTENT:
                self.factor, self.search.path = before, kept
                break
            self.density = spread(self.setup, self.search.path)

    def excess(self) -> float:
        """Cost over degrees of freedom, of the sightings that are trusted at this path."""
        path = self.search.path
        weights = trusted(reweighted(self.setup, path, self.weights))
        cost = eq.cost_of(self.setup, path, self.density * self.factor, weights, self.anchor)
        return cost / degrees_of_freedom(self.setup, path, look(self.setup, path, weights))

    def admit_cameras(self) -> None:
        """Scan the clocks, then let the cameras in by degrees.

        Where flashes could be one sample or another, each way is followed so far, and the one by
        which all sightings agree best is gone on with.
        """
        start, choices = scanned(self.setup, self.search.path)
        self.search.path = start
        self.let_in()
        for choice in choices:
            found = [(self.cost(), self.search)]
            for i in range(1, choice.offset.size):
                choice.take(self.setup, i)
                self.search = Search(choice.at(start, i), room=self.search.room)
                self.let_in()
                found.append((self.cost(), self.search))
            cost = np.array([cost for cost, _ in found])
            share = probabilities(cost)
            best = int(share.argmax())
            for i in np.flatnonzero(cost < cost[best] + WITHIN).tolist():
                choice.take(self.setup, i)
                off = np.linalg.norm(found[i][1].path.node - found[best][1].path.node, axis=-1)
                if off.max() > ELSEWHERE:
                    self.beside += (Start(found[i][1].path, deepcopy(self.setup.shared)),)
            choice.take(self.setup, best)
            self.search, start = found[best][1], choice.at(start, best)
            self.clock_warnings += clock_caution(choice, share)

    def let_in(self) -> None:
        """The cameras, by degrees."""
        for i, (sd, steps) in enumerate(CAMERA_STEPS):
            self.weights = replace(self.weights, camera_sd=sd)
            self.run("cameras let in", 0.55 + 0.05 * i, steps, 5e-3)

    def cost(self) -> float:
        """Of the path as it is now, with the weights and the density as they stand [1]."""
        density = self.density * self.factor
        return eq.cost_of(self.setup, self.search.path, density, self.weights, self.anchor)


HELD_SD = 0.02
"""Logarithmic, of scales that are held."""


def held(setup: FitSetup) -> FitSetup:
    """The problem with the scales that a path would mislead held at what is stated.

    A path is never free of jitter, and fitted along with it the damping would fall until the
    jitter costs nothing, and the stiffness take up the rest: a bias of the most probable path and
    law together, which integrating the path out would remove (Tierney and Kadane 1986). Skin
    friction would take up an error of the free tip's path in the same way.
    """
    sd = setup.shared.sd.copy()
    for name in held_scales(setup):
        sd[setup.shared.index(name)] = HELD_SD
    return replace(setup, shared=replace(setup.shared, sd=sd))


FINAL_DAMPINGS = (eq.LEAST_DAMPING, 1e-6, 1e-3, 1.0)
"""In rad^-2: the last one says no more than that a link points within a radian of where it does."""


def final(
    setup: FitSetup,
    path: Path,
    density: Array,
    weights: Weights,
    anchor: Anchor,
    room: eq.BandMemory | None = None,
) -> tuple[eq.Normal, eq.Factor]:
    """The equations at the minimum and their factor, with the least damping that makes one.

    density : (K, N + 1) [m2/s3].

    Raises
    ------
    NotConvergedError : no damping makes one: nothing holds the motion.
    """
    since = 0
    for damping in FINAL_DAMPINGS:
        chase = Elimination(lambda *_, least=damping: least)
        try:
            normal = eq.build(setup, path, density, weights, anchor, room, chase=chase)
            return normal, chase.factor(normal)
        except eq.NotDefiniteError as fault:
            since = fault.time
        except np.linalg.LinAlgError:
            continue
    raise eq.nothing_holds(float(path.time[since]))


def joint_fit(
    setup: FitSetup,
    path: Path,
    weights: Weights,
    progress: StageProgress,
    before: Anchor | None = None,
) -> Joint:
    """From the sweep's path to the minimum over everything.

    before : what is known of the path's first two times; None where the record begins there.
    """
    stages = _Stages(held(setup), path, weights, progress, before)
    stages.tighten()
    if any(c.frame.size for c in setup.trial.cameras):
        stages.admit_cameras()
    stages.weights = reweighted(setup, stages.search.path, replace(stages.weights, camera_sd=None))
    stages.regrid()
    stages.follow_arms()
    stages.run("all sightings", 0.7, 6, 2e-3)
    for i in range(2):
        stages.reweigh()
        stages.run("robust weights", 0.78 + 0.05 * i, 4, 1e-3)
    unstated = setup.options.arms and setup.trial.markers.stand_off == 0
    stand_off = stages.learn_arms() if unstated else 0.0
    excess = stages.excess()
    if excess > CONSISTENT:
        stages.factor *= min(excess**2, 10.0)
        stages.run("robust weights", 0.88, 2, 2e-3)
    density = stages.density * stages.factor
    path = stages.search.path
    normal, factor = final(
        stages.setup, path, density, stages.weights, stages.anchor, stages.search.room
    )
    step = eq.solve(factor, normal.gradient)
    decrement = float(normal.gradient @ step)
    return Joint(
        path, density, stages.weights, stages.anchor, normal.axes, normal.seen, factor,
        tuple(stages.search.history), bool(decrement < LAST_STEP**2 * step.size), excess,
        stages.clock_warnings, stages.factor, stages.setup, stand_off, stages.beside,
    )  # fmt: skip
