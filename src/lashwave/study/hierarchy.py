"""What throws share: line, specimen, thrower and throw, estimated together from single fits.

A parameter of throw t is

    theta_t = mu + s(specimen of t) + h(thrower of t) + e(t),

mu a normal with what was stated before, s, h and e normals about 0 whose standard deviations are
estimated too. Of a throw the single fit keeps what its sightings alone say, a normal likelihood
exp(-theta' L theta / 2 + y' theta). All is linear and normal, so the estimate is the one that a
joint fit of all throws would give, but for the sampling of L and y.

The standard deviations are those of greatest posterior density by expectation-maximisation
(Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1), each with one throw's weight of a
guess, so that few groups do not make it 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Array, Mask

MOST_ROUNDS, SETTLED = 500, 1e-6
GUESS = {"specimen": 0.5, "thrower": 0.1, "throw": 0.1}
"""Standard deviation guessed of each level, over that of what was stated before."""
LEVELS = tuple(GUESS)


@dataclass(frozen=True)
class Said:
    """What the sightings of one throw alone say of its P parameters."""

    information: Array
    """(P, P), of the parameters over their units"""
    pull: Array
    """(P,): information times the parameters that the sightings alone prefer"""
    specimen: str
    thrower: str


@dataclass(frozen=True)
class Levels:
    """Standard deviations (P,) between specimens, throwers and throws."""

    specimen: Array
    thrower: Array
    throw: Array


@dataclass(frozen=True)
class Belief:
    """A normal distribution of P parameters."""

    mean: Array
    """(P,)"""
    covariance: Array
    """(P, P)"""


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
    levels: Levels
    log_evidence: float
    """Of all throws, but for a constant."""


class _Joint:
    """The system for z = (mu, s, h), each throw's e put aside; parameters less the stated mean."""

    def __init__(self, said: Sequence[Said], common: Array, levels: Levels) -> None:
        self.said, self.levels, self.size = said, levels, common.size
        self.specimens = list(dict.fromkeys(s.specimen for s in said))
        self.throwers = list(dict.fromkeys(s.thrower for s in said))
        spread = [common, *[levels.specimen] * len(self.specimens),
                  *[levels.thrower] * len(self.throwers)]  # fmt: skip
        self.root = np.concatenate(spread)
        self.own = [_without_own(s, levels.throw) for s in said]
        total = np.zeros((self.root.size, self.root.size))
        pull = np.zeros(self.root.size)
        for one, (information, y, _) in zip(said, self.own, strict=True):
            for a in self.blocks(one):
                pull[a] += y
                for b in self.blocks(one):
                    total[a, b] += information
        self.total, self.pull = total, pull
        self.mean, self.cover = self._solved(total, pull)

    def blocks(self, one: Said) -> tuple[slice, slice, slice]:
        """Where mu, s and h of a throw stand in z."""
        at = (0, 1 + self.specimens.index(one.specimen),
              1 + len(self.specimens) + self.throwers.index(one.thrower))  # fmt: skip
        p = self.size
        return tuple(slice(p * i, p * i + p) for i in at)  # type: ignore[return-value]

    def _solved(self, total: Array, pull: Array) -> tuple[Array, Array]:
        """Mean and covariance of z; by u = z / root, so that a level of no spread is no trouble."""
        root = self.root
        inner = np.eye(root.size) + root[:, None] * total * root
        cover = root[:, None] * np.linalg.inv(inner) * root
        return cover @ pull, cover

    def seen(self, one: Said, mean: Array, cover: Array) -> Belief:
        """mu + s + h of a throw."""
        blocks = self.blocks(one)
        return Belief(
            np.sum([mean[a] for a in blocks], axis=0),
            np.sum([cover[a, b] for a in blocks for b in blocks], axis=0),
        )

    def without(self, i: int) -> Belief:
        """theta of throw i by all others."""
        one, (information, y, _) = self.said[i], self.own[i]
        total, pull = self.total.copy(), self.pull.copy()
        for a in self.blocks(one):
            pull[a] -= y
            for b in self.blocks(one):
                total[a, b] -= information
        found = self.seen(one, *self._solved(total, pull))
        return Belief(found.mean, found.covariance + np.diag(self.levels.throw**2))

    def throw(self, i: int) -> tuple[Belief, Belief]:
        """theta and e of throw i by all."""
        one, (_, _, cover) = self.said[i], self.own[i]
        line = self.seen(one, self.mean, self.cover)
        drop = cover @ one.information
        share = np.eye(self.size) - drop
        own = cover @ (one.pull - one.information @ line.mean)
        theta = Belief(line.mean + own, cover + share @ line.covariance @ share.T)
        return theta, Belief(own, cover + drop @ line.covariance @ drop.T)

    def log_evidence(self) -> float:
        """Log of the density of all throws, but for a constant."""
        root, value = self.root, 0.0
        inner = np.eye(root.size) + root[:, None] * self.total * root
        value -= 0.5 * np.linalg.slogdet(inner)[1]
        value += 0.5 * float(self.pull @ self.mean)
        spread = self.levels.throw
        for one, (_, _, cover) in zip(self.said, self.own, strict=True):
            inner = np.eye(self.size) + spread[:, None] * one.information * spread
            value += 0.5 * float(one.pull @ cover @ one.pull) - 0.5 * np.linalg.slogdet(inner)[1]
        return float(value)


def _without_own(said: Said, spread: Array) -> tuple[Array, Array, Array]:
    """Information and pull on mu + s + h, e put aside, and the covariance of e given these."""
    inner = np.eye(spread.size) + spread[:, None] * said.information * spread
    cover = spread[:, None] * np.linalg.inv(inner) * spread
    lost = said.information @ cover
    return said.information - lost @ said.information, said.pull - lost @ said.pull, cover


def together(
    said: Sequence[Said],
    mean: Array,
    sd: Array,
    levels: Levels | None = None,
    *,
    own: Mask | None = None,
) -> Hierarchy:
    """All throws' parameters, estimated together.

    Parameters
    ----------
    mean, sd : (P,), what was known of a line before any throw, in the parameters' own units: [1]
        for the logarithm of a scale, [m] for a station.
    levels : standard deviations between specimens, throwers and throws; estimated where None.
    own : (P,), parameters that every specimen has of its own, as the places of its markers: what
        was stated holds of each, and no thrower changes them.
    """
    alone = np.zeros(mean.size, dtype=bool) if own is None else own
    shifted = [
        Said(s.information, s.pull - s.information @ mean, s.specimen, s.thrower) for s in said
    ]
    levels = estimated_levels(shifted, sd, alone) if levels is None else levels
    joint = _Joint(shifted, np.where(alone, 0.0, sd), levels)
    p = mean.size

    def moved(found: Belief) -> Belief:
        return Belief(found.mean + mean, found.covariance)

    def specimen(name: str) -> Belief:
        at = p * (1 + joint.specimens.index(name))
        rows = np.concatenate([np.arange(p), np.arange(at, at + p)])
        fold = np.concatenate([np.eye(p), np.eye(p)], axis=1)
        cover = fold @ joint.cover[np.ix_(rows, rows)] @ fold.T
        return Belief(fold @ joint.mean[rows] + mean, cover)

    return Hierarchy(
        line=moved(Belief(joint.mean[:p], joint.cover[:p, :p])),
        specimens={name: specimen(name) for name in joint.specimens},
        throws=tuple(moved(joint.throw(i)[0]) for i in range(len(said))),
        others=tuple(moved(joint.without(i)) for i in range(len(said))),
        levels=levels,
        log_evidence=joint.log_evidence(),
    )


def estimated_levels(said: Sequence[Said], sd: Array, own: Mask) -> Levels:
    """Standard deviations (P,) of the levels, as [1] for logarithms and [m] for stations.

    said : with parameters counted from what was stated before; own : as in `together`. A level with
        one group alone has no spread of its own: it is part of mu.
    """
    names = {level: [getattr(s, level) for s in said] for level in ("specimen", "thrower")}
    free = {
        "specimen": ~own & (len(set(names["specimen"])) > 1),
        "thrower": ~own & (len(set(names["thrower"])) > 1),
        "throw": np.full(own.size, len(said) > 1),
    }
    guess = {level: GUESS[level] * sd * free[level] for level in LEVELS}
    guess["specimen"] = np.where(own, sd, guess["specimen"])
    levels = Levels(**guess)
    informed = np.array([np.diag(s.information) > 0.0 for s in said])
    for _ in range(MOST_ROUNDS):
        joint = _Joint(said, np.where(own, 0.0, sd), levels)
        squares = _squares(joint)
        found = {n: _updated(squares[n], guess[n], informed, names.get(n)) for n in LEVELS}
        new = Levels(**{n: np.where(free[n], np.sqrt(found[n]), guess[n]) for n in LEVELS})
        change = max(
            float(np.abs((getattr(new, n) - getattr(levels, n)) / sd).max()) for n in LEVELS
        )
        levels = new
        if change < SETTLED:
            break
    return levels


def _squares(joint: _Joint) -> dict[str, Array]:
    """Expected squares of s, h (a group a row) and e (a throw a row), each (., P)."""
    p = joint.size
    both = joint.mean**2 + np.diag(joint.cover)
    parts = both.reshape(-1, p)
    first = 1 + len(joint.specimens)
    own = [joint.throw(i)[1] for i in range(len(joint.said))]
    return {
        "specimen": parts[1:first],
        "thrower": parts[first:],
        "throw": np.array([e.mean**2 + np.diag(e.covariance) for e in own]),
    }


def _updated(squares: Array, guess: Array, informed: Array, groups: list[str] | None) -> Array:
    """Mean square (P,) over the members that any sighting tells of, the guess counted as one."""
    if groups is not None:
        names = list(dict.fromkeys(groups))
        informed = np.array([informed[[g == n for g in groups]].any(axis=0) for n in names])
    count = informed.sum(axis=0)
    total = np.where(informed, squares, 0.0).sum(axis=0)
    return np.asarray((total + guess**2) / (count + 1.0))


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
