"""Other motions that may fit as well as the one found: where they come from, and where they end.

A start is followed to its own minimum as the joint fit ends, with the times, the anchor and the
looseness of the motion that was found, so that the two can be weighed (`weighing`). Starts are
other places of a camera's clock, slack stretches that fell another way out of sight (`restarts`)
and the end of another search.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.diagnosis import energy_share
from lashwave.estimate.joint import Joint, Start, final, reweighted
from lashwave.estimate.levenberg import Search, minimise
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, displaced, from_nodes, on_grid, with_shares
from lashwave.estimate.posterior import draws_of
from lashwave.estimate.restarts import BEYOND, restarts
from lashwave.estimate.setup import FitSetup, Shared
from lashwave.estimate.stand_off import arms_followed
from lashwave.estimate.weighing import LEAST, Asked, counts, deviances, shares
from lashwave.quantities import Apart, Array, Draws, Motions, NotConvergedError, Whole

StageProgress = Callable[[str, float], None]
TIGHT, LOOSE = (1.0,), (10.0, 2.0, 1.0)
"""Factors on the density of the random acceleration while a start comes to agree with the
mechanics, over that of the motion found: of one that does already, and of one that does not."""
ROUNDS, STEPS = 2, 4
"""Robust weights are set anew so often, with so many steps after each."""
MOST = 4
"""Starts that are followed at most."""
ONE, NEAR = 4.0, 2e-3
"""Deviations of each, or a distance [m], up to which two motions are one: about a motion between
two that fit, everything is within its deviations."""
TRIED = 24
"""Draws by which these deviations are told."""


@dataclass(frozen=True)
class Weighed:
    """Motions that fit alike, the most probable first."""

    joints: tuple[Joint, ...]
    probability: Array
    """(M,) [1]"""
    apart: tuple[Apart, ...]
    """(M - 1,), of the first and each other"""

    def told(self, of_draw: Whole) -> Motions | None:
        """What a user is told of them, with the motion (D,) that each draw is of; None of one."""
        return Motions(self.probability, of_draw, self.apart) if self.apart else None


Loosened = tuple[Start, tuple[float, ...]]
"""A start, and the factors with which it comes to agree with the mechanics."""


def starts_of(
    setup: FitSetup, joint: Joint, left: Sequence[tuple[FitSetup, Path]]
) -> list[Loosened]:
    """Where other motions may be found.

    left : paths at which other searches ended, each with its problem.
    """
    held = joint.held or setup
    found: list[Loosened] = [(start, TIGHT) for start in joint.beside]
    found += [(start, TIGHT) for start in restarts(held, joint)]
    for other, path in left:
        found.append((Start(_put_on(held, joint, path, other.chain.station), held.shared), LOOSE))
    return found


def weighed(
    setup: FitSetup, joint: Joint, starts: Sequence[Loosened], tell: StageProgress
) -> Weighed:
    """The motion that was found and those that starts lead to, where they are probable.

    setup : the problem of the motion as its draws have it.
    """
    held = joint.held or setup
    found = [joint]
    for start, loose in starts[:MOST]:
        tell("another motion", 0.89)
        try:
            other = followed(held, joint, start, loose)
        except NotConvergedError:
            continue
        if other is not None and _possible(setup, joint, other):
            found += [other] * all(
                _apart(held, known, other) or _apart(held, other, known) for known in found
            )
    if len(found) == 1:
        return Weighed((joint,), np.ones(1), ())
    asked = [Asked(j.held or held, j.path, j.weights, j.density) for j in found]
    share = shares(deviances(asked, joint.anchor))
    told = [i for i in np.argsort(-share) if share[i] >= LEAST]
    first, *others = (found[i] for i in told)
    apart = tuple(where_apart(setup, first.path, other.path) for other in others)
    return Weighed((first, *others), share[told] / share[told].sum(), apart)


def _put_on(setup: FitSetup, joint: Joint, path: Path, station: Array) -> Path:
    """A path of a line cut at stations (N' + 1,) [m] as one of this line and its times."""
    from scipy.interpolate import CubicSpline

    node = CubicSpline(path.time, path.bare, axis=0)(joint.path.time)
    place = CubicSpline(station, node, axis=1)(setup.chain.station)
    return from_nodes(setup, joint.path.time, place, joint.path.shared.copy())


def followed(
    setup: FitSetup, joint: Joint, start: Start, loosenings: tuple[float, ...]
) -> Joint | None:
    """The motion at the minimum that a start leads to; None where that is no rival by far, or comes
    back to the motion found.

    setup : the problem as the motion `joint` was fitted.
    """
    own = replace(setup, shared=_longer(start.shared, setup.shared))
    shared = np.concatenate([start.path.shared, joint.path.shared[start.path.shared.size :]])
    path = start.path
    if not np.array_equal(path.time, joint.path.time):
        path = on_grid(own, path, joint.path.time)
    search = Search(replace(path, shared=shared, share=None, swing=None))
    weights = arms_followed(own, search.path, joint.weights)
    for loose in loosenings:
        density = spread(own, search.path) * joint.looseness
        minimise(own, search, loose * density, weights, joint.anchor, STEPS, tolerance=1e-2)
    widest = np.maximum(density, joint.density)
    costs = [
        eq.cost_of(of, with_shares(of, path, widest), widest, trust, joint.anchor)
        for of, path, trust in ((own, search.path, weights), (setup, joint.path, joint.weights))
    ]
    off = np.linalg.norm(search.path.node - joint.path.node, axis=-1)
    if costs[0] > costs[1] + BEYOND or off.max() < NEAR:
        return None
    for _ in range(ROUNDS):
        weights = arms_followed(own, search.path, reweighted(own, search.path, weights))
        minimise(own, search, density, weights, joint.anchor, STEPS)
    path = with_shares(own, search.path, density)
    normal, factor = final(own, path, density, weights, joint.anchor)
    return replace(
        joint, path=path, density=density, weights=weights, axes=normal.axes, seen=normal.seen,
        factor=factor, history=tuple(search.history), held=own, beside=(),
    )  # fmt: skip


def _longer(shared: Shared, whole: Shared) -> Shared:
    """What is known of the first parameters by one, of all others by the other."""
    size = len(shared.names)
    return replace(
        whole,
        mean=np.concatenate([shared.mean, whole.mean[size:]]),
        sd=np.concatenate([shared.sd, whole.sd[size:]]),
    )


def _possible(setup: FitSetup, joint: Joint, other: Joint) -> bool:
    """Whether a motion holds no more energy than it was given, or than the one found does."""
    most = max(1.0, float(energy_share(setup, joint).max()))
    return bool(energy_share(setup, other).max() <= most)


def _apart(setup: FitSetup, joint: Joint, other: Joint) -> bool:
    """Whether another motion lies beyond the deviations of one, somewhere."""
    drawn = eq.draw(joint.factor, TRIED, np.random.default_rng(setup.options.seed))
    reach = joint.path.reach(setup)
    each = np.stack([displaced(joint.path, reach, step) for step in drawn.T])
    sd = np.sqrt(((each - joint.path.node) ** 2).mean(axis=0).sum(axis=-1))
    off = np.linalg.norm(other.path.node - joint.path.node, axis=-1)
    return bool((off > np.maximum(ONE * sd, NEAR)).any())


def where_apart(setup: FitSetup, path: Path, other: Path) -> Apart:
    """Where and when two motions on the same times differ most."""
    off = np.linalg.norm(other.node - path.node, axis=-1)
    most = float(off.max())
    when = off.max(axis=1)
    first = last = int(when.argmax())
    while first > 0 and when[first - 1] >= 0.5 * most:
        first -= 1
    while last + 1 < when.size and when[last + 1] >= 0.5 * most:
        last += 1
    where = setup.chain.station[(off[first : last + 1] >= 0.5 * most).any(axis=0)]
    times = path.time[[first, last]]
    return Apart(float(times[0]), float(times[1]), float(where[0]), float(where[-1]), most)


def drawn(setup: FitSetup, motions: Weighed) -> tuple[Draws, Whole]:
    """Draws of all motions, shared out by probability, and which (D,) each is of."""
    o = setup.options
    each, of = [], []
    for i, (joint, count) in enumerate(
        zip(motions.joints, counts(motions.probability, o.draws), strict=True)
    ):
        if count:
            own = replace(setup, options=replace(o, draws=int(count), seed=o.seed + i))
            each.append(draws_of(own, joint, joint.factor))
            of.append(np.full(count, i))
    if len(each) == 1:
        return each[0], of[0]
    order = np.random.default_rng(o.seed).permutation(o.draws)
    first = each[0]
    names = ("position", "velocity", "tension", "hand_force", "hand_power", "kinetic_energy")
    mixed = {n: np.concatenate([getattr(d, n) for d in each])[order] for n in names}
    shared = {n: np.concatenate([d.shared[n] for d in each])[order] for n in first.shared}
    return replace(first, **mixed, shared=shared), np.concatenate(of)[order]
