"""A long record: a start from windows, then the whole record's own equations, exactly.

What a whole fit ends with is done here too: robust weights, steps of Gauss and Newton over all
times and all shared parameters, and draws of their Gaussian; but one stretch at a time (`divided`).
So a window's ends leave no trace, and a draw is one motion from the first sample to the last.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.by_stretch import densities, shared_out, sighted, with_weights
from lashwave.estimate.divided import Divided, Forward
from lashwave.estimate.fusion import Progress
from lashwave.estimate.joint import CONSISTENT, FINAL_DAMPINGS, LAST_STEP, held, trusted
from lashwave.estimate.levenberg import Search, descend
from lashwave.estimate.long_search import NoShelf, Shelf, searched
from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, chords
from lashwave.estimate.setup import FitSetup, set_up
from lashwave.estimate.sighting_rows import full_weights
from lashwave.estimate.stretches import Division, cuts_at
from lashwave.quantities import Array, Trial

SEARCHED = 0.75
"""Share of the time that the windows take."""
ROUGHLY, CLOSELY = (3, 15.0), (12, 0.02)
"""Most steps after robust weights are found, the first time and the second, and how much two of
them must lower the cost for another: by 0.02 the softest of all directions, as a camera's clock in
a slow swing, still moves by a seventh of its deviation."""
SPAN, MOST_TIMES = 1.0, 1000
"""A stretch of the equations lasts about this [s], and has about so many times at most."""


@dataclass(frozen=True)
class LongJoint:
    """The fit of a long record at its minimum."""

    setup: FitSetup
    """As the trial is; the division's own has scales held."""
    division: Division
    path: Path
    forward: Forward
    damping: float
    history: tuple[dict[str, float], ...]
    converged: bool
    excess: float
    clock_warnings: tuple[str, ...] = ()


def solved_long(
    trial: Trial,
    options: Options | None = None,
    length: float = SPAN,
    progress: Progress | None = None,
    shelf: Shelf | None = None,
    most: int = MOST_TIMES,
) -> LongJoint:
    """The most probable motion of a long record, in the solver's own unknowns.

    Parameters
    ----------
    length : of the windows of the search [s], and about that of the stretches of the equations.
    shelf : where finished windows and steps are kept, and found again; None keeps nothing.
    most : times of a stretch, about.

    Raises
    ------
    NotConvergedError : where a window cannot be solved, or nothing holds the motion.
    """
    tell = progress or _silent
    shelf = shelf or NoShelf()
    # A window's axes across the line begin as they may: no arm would go on into the next.
    setup = set_up(trial, replace(options or Options(), arms=False))

    def of_windows(stage: str, share: float) -> None:
        tell(stage, SEARCHED * share)

    path, looseness, start, said = searched(setup, length, shelf, of_windows)
    fitted = held(setup)
    tip = np.linalg.norm(np.gradient(path.bare[:, -1], path.time, axis=0), axis=-1)
    cuts = cuts_at(path.time, tip, length, most)
    none = np.zeros((path.time.size, 0))  # until the path is known to have densities
    division = Division(fitted, none, full_weights(fitted), start, cuts)
    whole = _Whole(division, path, looseness, shelf, tell)
    whole.settle()
    return whole.minimum(setup, said)


def _silent(_stage: str, _share: float) -> None:
    return None


class _Whole:
    """The last steps of a fit, over all stretches."""

    def __init__(
        self, division: Division, path: Path, looseness: Array, shelf: Shelf, tell: Progress
    ) -> None:
        self.division, self.looseness, self.shelf, self.tell = division, looseness, shelf, tell
        self.search = Search(path, damping=1e-3)
        self.room = eq.BandMemory()
        self.factor = 1.0

    def settle(self) -> None:
        """Steps with robust weights until none is to be taken."""
        density = densities(self.division, self.search.path, self.looseness)
        self.division = replace(self.division, density=density)
        self.search.path = shared_out(self.division, self.search.path)
        for i, (steps, least) in enumerate((ROUGHLY, CLOSELY)):
            self.division = with_weights(self.division, self.search.path)
            self.run(f"steps-{i}", SEARCHED + 0.08 * i, steps, least)
        excess = self.excess()
        if excess > CONSISTENT:
            self.factor = min(excess**2, 10.0)
            self.division = replace(self.division, density=self.division.density * self.factor)
            self.run("steps-last", SEARCHED + 0.16, *CLOSELY)
        self.known_excess = excess

    def run(self, name: str, share: float, iterations: int, least: float) -> None:
        """Some steps, until two lower the cost by less than `least` each; those that lie on the
        shelf are not taken again."""
        kept = self.shelf.get(name)
        path = self.search.path
        if kept is not None and kept["base"].shape == path.base.shape:
            chord = chords(self.division.setup, kept["direction"])
            self.search.path = replace(
                path, base=kept["base"], direction=kept["direction"], shared=kept["shared"],
                chord=chord,
            )  # fmt: skip
            return
        self.tell(f"whole record, {path.time.size} times", share)

        def problem(_path: Path) -> Divided:
            return Divided(self.division, self.room)

        cost = Divided(self.division, self.room).cost(path)
        descend(problem, self.search, iterations, least / cost)
        done = self.search.path
        self.shelf.put(name, {k: getattr(done, k) for k in ("base", "direction", "shared")})

    def excess(self) -> float:
        """Cost over degrees of freedom, of the sightings that are trusted at this path."""
        path, setup = self.search.path, self.division.setup
        robust = with_weights(self.division, path)
        believed = replace(robust, weights=trusted(robust.weights))
        cost = Divided(believed, self.room).cost(path)
        free = int((~setup.driven).sum())
        least = min(free, setup.last_link - setup.first_link)
        rows = sighted(believed, path).rows
        inner = (path.time.size - 2) * (3 * (setup.chain.links + 1) - least)
        return cost / float(inner + rows - path.time.size * setup.unknowns)

    def minimum(self, setup: FitSetup, said: tuple[str, ...]) -> LongJoint:
        """The equations at the end, eliminated with the least damping that lets them be."""
        path, problem = self.search.path, Divided(self.division, self.room)
        since = 0
        for damping in FINAL_DAMPINGS:
            try:
                forward = problem.forward(path, damping, plain=True)
            except eq.NotDefiniteError as fault:
                since = fault.time
                continue
            except np.linalg.LinAlgError:
                continue
            size = path.time.size * setup.unknowns + forward.shared.size
            return LongJoint(
                setup, self.division, path, forward, damping, tuple(self.search.history),
                forward.decrement < LAST_STEP**2 * size, self.known_excess, said,
            )  # fmt: skip
        raise eq.nothing_holds(float(path.time[since]))
