"""What throws share: line, specimen, thrower and throw, estimated together from single fits.

A parameter of throw t is

    theta_t = mu + s(specimen of t) + h(thrower of t) + e(t),

mu a normal with what was stated before, s, h and e normals about 0 whose standard deviations are
estimated too. Of a throw the single fit keeps what its sightings alone say, a normal likelihood
exp(-theta' L theta / 2 + y' theta), whose error it has in part in common with all fits of its
specimen: what the line's table, the chain and the time grid leave out moves them alike. All is
linear and normal, so the estimate is the one that a joint fit of all throws would give, but for the
sampling of L and y.

The correlation r of the errors of two fits of a specimen is an unknown. Before, every r from 0 to 1
is taken to be as likely as any other; the throws say the rest, by how little they scatter for what
their fits say of their own errors: an error that does not scatter is one in common. The estimate is
the mean over r, the spreads those of greatest density at each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Array, Mask
from lashwave.study.joint_throws import JointThrows, Levels, Said, White, white
from lashwave.study.level_search import found_levels

CELLS = 12
"""Correlations tried between 0 and 1, and as many again where the likely ones lie."""
RARE = 1e-4
"""Share of the weight below which a correlation is left out."""


@dataclass(frozen=True)
class Belief:
    """A normal distribution of P parameters."""

    mean: Array
    """(P,)"""
    covariance: Array
    """(P, P)"""


@dataclass(frozen=True)
class ErrorsAlike:
    """How alike the errors of two fits of one specimen are, by what the throws say."""

    at: Array
    """(K,) [1], correlations"""
    weight: Array
    """(K,) [1], their posterior weights, 1 in all"""

    @property
    def mean(self) -> float:
        """Of the correlation [1]."""
        return float(self.weight @ self.at)

    def quantile(self, share: float) -> float:
        """The correlation [1] below which a share of the weight lies; each stands for a cell."""
        middle = 0.5 * (self.at[1:] + self.at[:-1])
        ends = np.concatenate(
            [self.at[:1] - (middle[:1] - self.at[:1]), middle, 2 * self.at[-1:] - middle[-1:]]
        ) if self.at.size > 1 else np.repeat(self.at, 2)  # fmt: skip
        below = np.concatenate([[0.0], np.cumsum(self.weight)])
        return float(np.interp(share, below, np.clip(ends, 0.0, 1.0)))


@dataclass(frozen=True)
class Hierarchy:
    """The joint estimate; all in the parameters' own units."""

    line: Belief
    """mu: of a specimen and thrower that nobody has seen, spread between them left out."""
    specimens: dict[str, Belief]
    """mu + s of each"""
    throws: tuple[Belief, ...]
    """theta of each throw, by all throws"""
    others: tuple[Belief, ...]
    """theta of each throw, predicted by all others alone"""
    beside: tuple[Belief, ...]
    """Of each throw, what all others add to its own sightings: these counted as if their error were
    their own, this together with them is `throws`."""
    levels: Levels
    alike: ErrorsAlike
    scores: Array
    """(T,) [1], log score of each throw's sightings by all others, the error that the fits of its
    specimen have in common foretold too; the same constant left out as in `log_score`."""
    log_evidence: float
    """Of all throws at the likeliest correlation, but for a constant."""


def together(
    said: Sequence[Said],
    mean: Array,
    sd: Array,
    levels: Levels | None = None,
    *,
    own: Mask | None = None,
    alike: float | None = None,
) -> Hierarchy:
    """All throws' parameters, estimated together.

    Parameters
    ----------
    mean, sd : (P,), what was known of a line before any throw, in the parameters' own units: [1]
        for the logarithm of a scale, [m] for a station.
    levels : standard deviations between specimens, throwers and throws; estimated where None.
    own : (P,), parameters that every specimen has of its own, as the places of its markers: what
        was stated holds of each, and no thrower changes them.
    alike : correlation [1] of the errors of two fits of a specimen, below 1; learnt where None.
    """
    alone = np.zeros(mean.size, dtype=bool) if own is None else own
    seen = white(said, mean, sd)
    common = np.where(alone, 0.0, sd)
    if levels is None:
        found = _learnt(seen, sd, alone, alike)
    else:
        every = _grid(0.0, 1.0) if alike is None else np.array([alike])
        found = [(r, levels, JointThrows(seen, common, levels, r).log_evidence()) for r in every]
    found, weight = _likely(found)
    joints = [JointThrows(seen, common, spread, r) for r, spread, _ in found]
    known = ErrorsAlike(np.array([r for r, *_ in found]), weight)
    most = int(weight.argmax())
    base = sum(float(s.pull @ mean - 0.5 * mean @ s.information @ mean) for s in said)
    return Hierarchy(
        line=_mixed([(j.line[0][None], j.line[1][None]) for j in joints], weight, mean)[0],
        specimens=dict(
            zip(seen.specimens, _mixed([j.kinds for j in joints], weight, mean), strict=True)
        ),
        throws=_mixed([j.throws for j in joints], weight, mean),
        others=_mixed([j.foretold for j in joints], weight, mean),
        beside=_mixed([_beside(j) for j in joints], weight, mean),
        levels=found[most][1],
        alike=known,
        scores=_scores(said, mean, joints, weight),
        log_evidence=base + joints[most].log_evidence(),
    )


Tried = tuple[float, Levels, float]
"""A correlation, the spreads with it, and its log density."""


def _grid(low: float, high: float) -> Array:
    """The middles of cells between two correlations."""
    return low + (high - low) * (np.arange(CELLS) + 0.5) / CELLS


def _learnt(seen: White, sd: Array, own: Mask, alike: float | None) -> list[Tried]:
    """Correlations over where the likely ones lie, with spreads and log density."""
    if alike is not None or np.bincount(seen.specimen).max() < 2:
        r = 0.0 if alike is None else alike
        return [(r, *found_levels(seen, sd, own, r))]
    wide = _tried(seen, sd, own, _grid(0.0, 1.0))
    likely, _ = _likely(wide)
    half = 0.5 / CELLS
    low, high = likely[0][0] - 2.0 * half, likely[-1][0] + 2.0 * half
    if len(likely) > CELLS // 2:
        return wide
    return _tried(seen, sd, own, _grid(max(low, 0.0), min(high, 1.0)))


def _tried(seen: White, sd: Array, own: Mask, every: Array) -> list[Tried]:
    found, start = [], None
    for r in map(float, every):
        start, value = found_levels(seen, sd, own, r, start)
        found.append((r, start, value))
    return found


def _likely(found: list[Tried]) -> tuple[list[Tried], Array]:
    """Those that count, and their weights (K,)."""
    size = np.array([value for *_, value in found])
    weight = np.exp(size - size.max())
    weight /= weight.sum()
    first, last = np.flatnonzero(weight > RARE)[[0, -1]]
    kept = weight[first : last + 1]
    return found[first : last + 1], kept / kept.sum()


def _beside(joint: JointThrows) -> tuple[Array, Array]:
    """What others add to a throw's own sightings: mean (T, P) and covariance (T, P, P)."""
    mean, cover = joint.throws
    sure = np.linalg.inv(cover)
    root = joint.sightings.root
    turned = np.swapaxes(root, 1, 2)
    left = np.linalg.inv(sure - turned @ root)
    pull = np.einsum("tpq,tq->tp", sure, mean) - np.einsum(
        "tpq,tq->tp", turned, joint.sightings.value
    )
    even = np.asarray(0.5 * (left + np.swapaxes(left, 1, 2)), float)
    return np.einsum("tpq,tq->tp", left, pull), even


def _mixed(parts: Sequence[tuple[Array, Array]], weight: Array, shift: Array) -> tuple[Belief, ...]:
    """Of mixtures of normals, for each of N: from means (N, P) and covariances (N, P, P)."""
    means, covers = (np.array([part[i] for part in parts]) for i in (0, 1))
    mean = np.einsum("k,knp->np", weight, means)
    off = means - mean
    cover = np.einsum("k,knpq->npq", weight, covers)
    cover += np.einsum("k,knp,knq->npq", weight, off, off)
    return tuple(Belief(m + shift, c) for m, c in zip(mean, cover, strict=True))


def _scores(
    said: Sequence[Said], mean: Array, joints: Sequence[JointThrows], weight: Array
) -> Array:
    """Log scores (T,) of held-out throws, the correlation weighed without the throw as well."""
    each = np.array([joint.scores() for joint in joints])
    # p(y_i | others) = 1 / sum over r of p(r | all) / p(y_i | others, r), by Bayes' rule.
    value = -np.logaddexp.reduce(np.log(weight)[:, None] - each, axis=0)
    base = [float(s.pull @ mean - 0.5 * mean @ s.information @ mean) for s in said]
    return np.asarray(value + base)


def log_score(said: Said, expected: Belief) -> float:
    """Log density of a throw's sightings where its parameters were expected so.

    But for a constant that is the same for all expectations: differences are logarithms of Bayes
    factors.
    """
    mean, cover = expected.mean, expected.covariance
    rest = said.pull - said.information @ mean
    inner = np.eye(mean.size) + said.information @ cover
    value = float(said.pull @ mean - 0.5 * mean @ said.information @ mean)
    value += 0.5 * float(rest @ cover @ np.linalg.solve(inner, rest))
    return value - 0.5 * float(np.linalg.slogdet(inner)[1])
