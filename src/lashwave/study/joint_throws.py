"""All throws as one linear problem, where the spreads of the levels and the correlation are known.

The sightings of throw t, made white, are

    w_t = R_t (mu + s + h + e_t) + c(specimen of t) + n_t,

with R_t' R_t their information, s, h and e_t as in `hierarchy`, c an error that the fits of a
specimen have in common and n_t one of the throw alone. A fit's error is as large as the fit says:
the variances of c and n_t are r and 1 - r. So r is the correlation of the errors of two fits of one
specimen, each over its own standard deviation. Where a throw saw nothing, R_t has no rank and
neither c nor n_t counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from lashwave.quantities import Array, Index

LEAST = 1e-9
"""Information over that of what was stated, below which a direction counts as not seen."""


@dataclass(frozen=True)
class Said:
    """What the sightings of one throw alone say of its P parameters."""

    information: Array
    """(P, P), of the parameters over their units"""
    pull: Array
    """(P,): information times the parameters that the sightings alone prefer"""
    specimen: str
    thrower: str


class Levels(NamedTuple):
    """Standard deviations (P,) between specimens, throwers and throws."""

    specimen: Array
    thrower: Array
    throw: Array


@dataclass(frozen=True)
class White:
    """The sightings of T throws, made white."""

    root: Array
    """(T, P, P): R"""
    seen: Array
    """(T, P, P), projects upon what a throw saw"""
    value: Array
    """(T, P): w"""
    specimens: tuple[str, ...]
    throwers: tuple[str, ...]
    specimen: Index
    """(T,), the number of each throw's"""
    thrower: Index
    """(T,)"""


def white(said: Sequence[Said], mean: Array, sd: Array) -> White:
    """The sightings, made white [1], with parameters less their mean.

    mean, sd : (P,), in the parameters' own units, [1] or [m]; information counts over these sd.
    """
    information = np.array([s.information for s in said])
    pull = np.array([s.pull for s in said]) - information @ mean
    size, axes = np.linalg.eigh(sd[:, None] * information * sd)
    seen = size > LEAST
    root = np.sqrt(np.where(seen, size, 1.0))
    turned = np.swapaxes(axes, 1, 2)
    along = np.einsum("tpk,tp->tk", axes, pull * sd)
    specimens = tuple(dict.fromkeys(s.specimen for s in said))
    throwers = tuple(dict.fromkeys(s.thrower for s in said))
    return White(
        (axes * (root * seen)[:, None, :]) @ turned / sd,
        (axes * seen[:, None, :]) @ turned,
        np.einsum("tpk,tk->tp", axes, along * seen / root),
        specimens, throwers,
        np.array([specimens.index(s.specimen) for s in said]),
        np.array([throwers.index(s.thrower) for s in said]),
    )  # fmt: skip


class JointThrows:
    """The system for z = (mu, s, h, c), each throw's e put aside; parameters less their mean.

    Parameters
    ----------
    common : (P,), standard deviations of mu, in the parameters' own units, [1] or [m].
    alike : the correlation r [1], from 0 to below 1.
    """

    def __init__(self, sightings: White, common: Array, levels: Levels, alike: float) -> None:
        self.sightings, self.levels, self.alike = sightings, levels, alike
        kinds, hands = len(sightings.specimens), len(sightings.throwers)
        p = common.size
        self.root = np.concatenate([
            common, np.tile(levels.specimen, kinds), np.tile(levels.thrower, hands),
            np.full(kinds * p, np.sqrt(alike)),
        ])  # fmt: skip
        first = np.zeros_like(sightings.specimen)
        self.at = np.stack([
            first, 1 + sightings.specimen, 1 + kinds + sightings.thrower,
            1 + kinds + hands + sightings.specimen,
        ])  # fmt: skip
        self.size, self.groups = p, 1 + 2 * kinds + hands
        root = sightings.root
        spread = root * levels.throw  # of e, as the white sightings see it
        self.noise = (1.0 - alike) * np.eye(p) + spread @ np.swapaxes(spread, 1, 2)
        self.weight = np.linalg.inv(self.noise)
        # Of a throw's x = (mu + s + h, c): the design, its information and its pull.
        self.design = np.concatenate([root, sightings.seen], axis=2)
        self.tells = np.swapaxes(self.design, 1, 2) @ self.weight
        self.information = self.tells @ self.design
        self.pull = np.einsum("tap,tp->ta", self.tells, sightings.value)
        self.mean, self.cover = self._solved()

    def _part(self, block: int) -> slice:
        """Where x holds what a block of z adds to."""
        return slice(self.size, None) if block == 3 else slice(0, self.size)

    def _solved(self) -> tuple[Array, Array]:
        """Mean (G, P) and covariance (G, P, G, P) of z.

        By u = z / root, so that a level of no spread is no trouble.
        """
        p, count = self.size, self.groups
        total, pull = np.zeros((count, count, p, p)), np.zeros((count, p))
        for a, at in enumerate(self.at):
            np.add.at(pull, at, self.pull[:, self._part(a)])
            for b, other in enumerate(self.at):
                np.add.at(total, (at, other), self.information[:, self._part(a), self._part(b)])
        flat = total.transpose(0, 2, 1, 3).reshape(count * p, -1)
        self.inner = np.eye(count * p) + self.root[:, None] * flat * self.root
        cover = self.root[:, None] * np.linalg.inv(self.inner) * self.root
        self.total_pull = pull.ravel()
        mean = (cover @ self.total_pull).reshape(count, p)
        return mean, cover.reshape(count, p, count, p)

    @cached_property
    def x(self) -> tuple[Array, Array]:
        """Of each throw (mu + s + h, c [1]) by all: mean (T, 2 P), covariance (T, 2 P, 2 P)."""
        p, throws = self.size, self.at.shape[1]
        mean, cover = np.zeros((throws, 2 * p)), np.zeros((throws, 2 * p, 2 * p))
        for a, at in enumerate(self.at):
            mean[:, self._part(a)] += self.mean[at]
            for b, other in enumerate(self.at):
                cover[:, self._part(a), self._part(b)] += self.cover[at, :, other, :]
        return mean, cover

    @cached_property
    def x_without(self) -> tuple[Array, Array]:
        """The same by all others: mean (T, 2 P), covariance (T, 2 P, 2 P), in [1] or [m]."""
        mean, cover = self.x
        back = np.linalg.inv(np.eye(2 * self.size) - cover @ self.information)
        left = mean - np.einsum("tab,tb->ta", cover, self.pull)
        return np.einsum("tab,tb->ta", back, left), back @ cover

    @cached_property
    def own(self) -> tuple[Array, Array]:
        """e of each throw by all: mean (T, P) and covariance (T, P, P), in [1] or [m]."""
        (mean, cover), square = self.x, np.diag(self.levels.throw**2)
        gain = self._gain()
        rest = self.sightings.value - np.einsum("tpa,ta->tp", self.design, mean)
        turned = gain @ self.design
        known = square - gain @ self.sightings.root @ square
        return (
            np.einsum("tpq,tq->tp", gain, rest),
            known + turned @ cover @ np.swapaxes(turned, 1, 2),
        )

    def _gain(self) -> Array:
        """Of e from the white sightings (T, P, P), all else known."""
        square = self.levels.throw**2
        return square[:, None] * np.swapaxes(self.sightings.root, 1, 2) @ self.weight

    @cached_property
    def throws(self) -> tuple[Array, Array]:
        """theta of each throw by all: mean (T, P) and covariance (T, P, P), in [1] or [m]."""
        (mean, cover), square = self.x, np.diag(self.levels.throw**2)
        gain = self._gain()
        turned = np.eye(self.size, 2 * self.size) - gain @ self.design
        known = square - gain @ self.sightings.root @ square
        return mean[:, : self.size] + self.own[0], known + turned @ cover @ np.swapaxes(
            turned, 1, 2
        )

    @cached_property
    def foretold(self) -> tuple[Array, Array]:
        """theta of each throw by all others: mean (T, P), covariance (T, P, P), in [1] or [m]."""
        (mean, cover), p = self.x_without, self.size
        return mean[:, :p], cover[:, :p, :p] + np.diag(self.levels.throw**2)

    def scores(self) -> Array:
        """Log densities (T,) [1] of each throw's white sightings, given all others'.

        Over those of a standard normal, so that differences of two models are Bayes factors.
        """
        mean, cover = self.x_without
        spread = self.noise + self.design @ cover @ np.swapaxes(self.design, 1, 2)
        off = self.sightings.value - np.einsum("tpa,ta->tp", self.design, mean)
        square = np.einsum("tp,tp->t", self.sightings.value, self.sightings.value)
        miss = np.einsum("tp,tp->t", off, np.linalg.solve(spread, off[:, :, None])[:, :, 0])
        return np.asarray(0.5 * (square - miss - self._log_size(spread)))

    def _log_size(self, spread: Array) -> Array:
        """Log determinants (T,) of covariances over the directions that each throw saw."""
        seen = self.sightings.seen
        return np.asarray(np.linalg.slogdet(seen @ spread @ seen + np.eye(self.size) - seen)[1])

    def log_evidence(self) -> float:
        """Log of the density of all throws [1], over that of standard normals."""
        w = self.sightings.value
        value = 0.5 * float(np.sum(w * w) - np.einsum("tp,tpq,tq->", w, self.weight, w))
        value -= 0.5 * float(self._log_size(self.noise).sum())
        value -= 0.5 * float(np.linalg.slogdet(self.inner)[1])
        return value + 0.5 * float(self.total_pull @ self.mean.ravel())
