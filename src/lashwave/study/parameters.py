"""The law's scales from one trial or several of one specimen: values, intervals, profiles.

-2 log posterior of the true scales a, whose likelihood is that of the scales s that the chain
would take for them, s - a normal with the chain's own error D (what links and time grid leave
out), and a prior P counted once however many trials there are:

    sum over trials of -2 log L_t(s) + |s - a|^2 / D + |a - m|^2 / P.

The chain's own error is common to all trials: more of them do not wear it down, but for its part
that grows with the scatter of each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from lashwave.quantities import Array
from lashwave.study.likelihood import Cross, together

Expanded = tuple[float, Array, Array]
MOST_STEPS = 60
BELIEVED = 1.5
"""Times the farthest shift of a likelihood that was computed: beyond, no scale is sought."""
LONGEST = 1.0
"""No logarithmic scale moves further in one step."""
DROP95 = float(chdtri(1, 0.05))
"""Rise of -2 log likelihood at the ends of a 95 % interval (Wilks, Ann. Math. Stat. 9 (1938) 60),
of one scale."""
CURVE, REACH = 41, 3.5
"""Points of a profile, and how many posterior deviations it reaches to either side."""


@dataclass(frozen=True)
class Known:
    """What is known of logarithmic scales besides the trials: prior, and the chain's own error."""

    mean: Array
    sd: Array
    model_sd: Array
    """Standard deviations (P,), of a true scale about the one that the chain would take for it."""
    scatter: Array
    """(P,) how many times wider than by the sightings alone a scale scatters besides: rows of
    dynamics are not as independent as the likelihood takes them to be."""


@dataclass(frozen=True)
class ScaleProfile:
    """-2 log of a likelihood along one scale, all others at their best, less its least value."""

    scale: Array
    """(Q,) logarithmic"""
    data: Array
    """(Q,) of the sightings alone; nan where nothing holds the others."""
    posterior: Array
    """(Q,) with the chain's own error and the prior."""


@dataclass(frozen=True)
class ScaleEstimate:
    """Logarithmic scales with their uncertainty."""

    names: tuple[str, ...]
    mean: Array
    """(P,), most probable"""
    model_sd: Array
    """(P,) standard deviation of the chain's own error, scatter included"""
    covariance: Array
    """(P, P), posterior"""
    low95: Array
    high95: Array
    """(P,), where the profile of the posterior has risen by 3.84, at least 1.96 deviations off"""
    information: Array
    """(P, P), of the sightings of all trials at the mean, without prior and own error"""
    profiles: tuple[ScaleProfile, ...]
    shift: Array
    """(T, P), each trial's own estimate less the common one; nan where it has none"""


def lowest(
    function: Callable[[Array], Expanded],
    start: Array,
    free: NDArray[np.bool_],
    box: tuple[Array, Array] | None = None,
) -> tuple[Array, float]:
    """Where a smooth function is least over the free coordinates, by guarded Newton steps.

    box : least and largest coordinates (P,), within which the search stays.

    start : (P,), no unit: scales or their logarithms.
    """
    low, high = (np.full(start.size, -np.inf), np.full(start.size, np.inf)) if box is None else box
    at = np.where(free, np.clip(start, low, high), start)
    value, gradient, second = function(at)
    for _ in range(MOST_STEPS):
        wall = ((at <= low) & (gradient > 0)) | ((at >= high) & (gradient < 0))
        step = _newton(gradient, second, free & ~wall)
        for share in 0.5 ** np.arange(30):
            there = np.where(free, np.clip(at + share * step, low, high), at)
            promised = float(gradient @ (at - there))
            trial = function(there)
            if trial[0] < value - 1e-4 * promised:
                break
        else:
            break
        at, (value, gradient, second) = there, trial
        if promised < 1e-10:
            break
    return at, value


def _newton(gradient: Array, second: Array, free: NDArray[np.bool_]) -> Array:
    """Downhill by Newton's step, negative curvature turned round, no longer than `LONGEST`."""
    step = np.zeros(gradient.size)
    size, axes = np.linalg.eigh(second[np.ix_(free, free)])
    size = np.maximum(np.abs(size), 1e-9 * max(float(np.abs(size).max(initial=0.0)), 1e-12))
    step[free] = -axes @ ((axes.T @ gradient[free]) / size)
    return step / max(1.0, float(np.abs(step).max()) / LONGEST)


def _box(crosses: tuple[Cross, ...]) -> tuple[Array, Array]:
    """How far likelihoods are believed: `BELIEVED` times as far as they were computed."""
    low, high = (
        np.array(
            [[c + BELIEVED * s[end] for c, s in zip(x.centre, x.shift, strict=True)]
             for x in crosses]
        )
        for end in (0, -1)
    )  # fmt: skip
    return low.min(axis=0), high.max(axis=0)


def _posterior(
    crosses: tuple[Cross, ...], known: Known, axis: int | None, held: float
) -> Callable[[Array], Expanded]:
    """-2 log posterior over what the chain takes for the scales, true scales at their best.

    A true scale at its best given s leaves |s - m|^2 / (D + P); the one on `axis` is held instead.
    """
    wide = known.model_sd**2 + known.sd**2

    def function(seen: Array) -> Expanded:
        value, gradient, second = together(crosses, seen)
        for j in range(seen.size):
            mean, variance = known.mean[j], wide[j]
            if j == axis:
                mean, variance = held, known.model_sd[j] ** 2
                value += (held - known.mean[j]) ** 2 / known.sd[j] ** 2
            value += (seen[j] - mean) ** 2 / variance
            gradient[j] += 2.0 * (seen[j] - mean) / variance
            second[j, j] += 2.0 / variance
        return value, gradient, second

    return function


def estimated(crosses: tuple[Cross, ...], known: Known) -> ScaleEstimate:
    """The common scales of some trials.

    Raises ValueError where the trials do not share their scales' names.
    """
    names = crosses[0].names
    if any(cross.names != names for cross in crosses):
        raise ValueError("the trials do not share their scales")
    known = _scattered(crosses, known)
    everything = np.ones(len(names), dtype=bool)
    start = np.mean([cross.centre for cross in crosses], axis=0)
    function, box = _posterior(crosses, known, None, 0.0), _box(crosses)
    # A second valley may lie along any scale, so the search begins from all their ends as well.
    reach = np.diag(np.max([[s[-1] for s in cross.shift] for cross in crosses], axis=0))
    found = [
        lowest(function, start + shift, everything, box)
        for shift in (np.zeros(start.size), *reach, *-reach)
    ]
    seen = min(found, key=lambda pair: pair[1])[0]
    share = known.sd**2 / (known.sd**2 + known.model_sd**2)
    mean = known.mean + share * (seen - known.mean)
    information = np.sum([cross.information_at(seen) for cross in crosses], axis=0)
    precision = _widened(information, known.model_sd) + np.diag(1 / known.sd**2)
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    sd = np.sqrt(np.diag(covariance))
    profiles, ends = [], []
    for axis in range(len(names)):
        profile = _profile(crosses, known, axis, seen, mean, sd)
        profiles.append(profile)
        ends.append(_ends(profile, mean[axis], sd[axis]))
    low, high = (np.array(end, dtype=np.float64) for end in zip(*ends, strict=True))
    return ScaleEstimate(
        names, mean, known.model_sd, covariance, low, high, information, tuple(profiles),
        _shifts(crosses, known, seen),
    )  # fmt: skip


def _scattered(crosses: tuple[Cross, ...], known: Known) -> Known:
    """The chain's own error with the scatter of these trials in it.

    Source: McCullagh and Nelder, Generalized Linear Models (1989), section 4.5, on counts that
    scatter more than they should.
    """
    total = np.diag(1.0 / known.sd**2) + sum(cross.information for cross in crosses)
    alone = np.sqrt(np.diag(np.linalg.inv(total)))
    return replace(known, model_sd=np.hypot(known.model_sd, known.scatter * alone))


def _widened(information: Array, model_sd: Array) -> Array:
    """Information of likelihood and own error together, (I^-1 + D)^-1 without inverting I."""
    root = np.diag(model_sd)
    inner = np.eye(model_sd.size) + root @ information @ root
    return np.asarray(information - information @ root @ np.linalg.solve(inner, root @ information))


def _profile(
    crosses: tuple[Cross, ...], known: Known, axis: int, seen: Array, mean: Array, sd: Array
) -> ScaleProfile:
    """Along one scale, 3.5 posterior deviations to either side."""
    grid = mean[axis] + np.linspace(-REACH, REACH, CURVE) * sd[axis]
    posterior, data = np.empty(CURVE), np.empty(CURVE)
    everything, box = np.ones(mean.size, dtype=bool), _box(crosses)
    others = everything.copy()
    others[axis] = False
    middle = CURVE // 2
    # Outward from the middle, each point from its neighbour's, so as to stay in the same valley.
    for way in (range(middle, CURVE), range(middle, -1, -1)):
        start, at = seen.copy(), seen.copy()
        for i in way:
            function = _posterior(crosses, known, axis, float(grid[i]))
            start, posterior[i] = lowest(function, start, everything, box)
            at[axis] = grid[i]
            at = _others_best(crosses, known, at, others)
            data[i] = together(crosses, at)[0]
    return ScaleProfile(grid, data - data.min(), posterior - posterior.min())


def _others_best(
    crosses: tuple[Cross, ...], known: Known, at: Array, others: NDArray[np.bool_]
) -> Array:
    """The other scales at their best for the sightings; ten priors wide, for one may be unheld."""
    wide = 100.0 * known.sd**2

    def function(scales: Array) -> Expanded:
        value, gradient, second = together(crosses, scales)
        off = (scales - known.mean) / wide
        return (
            value + float(off @ (scales - known.mean)),
            gradient + 2.0 * off,
            second + np.diag(2.0 / wide),
        )

    return lowest(function, at, others, _box(crosses))[0]


def _ends(profile: ScaleProfile, middle: float, sd: float) -> tuple[float, float]:
    """Where the posterior's profile crosses 3.84 on either side, 1.96 deviations off at least.

    Where the two disagree, the likelihood is far from normal, and the chain's own error, which is
    normal in the logarithm, is trusted to neither side.
    """
    ends = []
    for side in (profile.scale <= middle, profile.scale >= middle):
        scale, rise = profile.scale[side], profile.posterior[side]
        order = np.argsort(rise)
        ends.append(float(np.interp(DROP95, rise[order], scale[order])))
    half = np.sqrt(DROP95) * sd
    return min(ends[0], float(middle - half)), max(ends[1], float(middle + half))


def _shifts(crosses: tuple[Cross, ...], known: Known, seen: Array) -> Array:
    """Each trial's own best scales less the common ones, where that trial holds them."""
    if len(crosses) == 1:
        return np.zeros((1, seen.size))
    out = np.full((len(crosses), seen.size), np.nan)
    for t, cross in enumerate(crosses):
        function = _posterior((cross,), known, None, 0.0)
        own, _ = lowest(function, seen, np.ones(seen.size, dtype=bool), _box((cross,)))
        held = np.sqrt(1.0 / np.maximum(np.diag(cross.information), 1e-12)) < known.sd
        out[t, held] = (own - seen)[held]
    return out
