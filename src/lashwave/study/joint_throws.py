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
    """The system for z = (mu, h | s, c), each throw's e put aside; parameters less their mean.

    Given mu and h the specimens are independent: each one's s and c are eliminated apart.

    Parameters
    ----------
    common : (P,), standard deviations of mu, in the parameters' own units, [1] or [m].
    alike : the correlation r [1], from 0 to below 1.
    """

    def __init__(self, sightings: White, common: Array, levels: Levels, alike: float) -> None:
        self.sightings, self.levels, self.alike, self.size = sightings, levels, alike, common.size
        root = sightings.root
        spread = root * levels.throw  # of e, as the white sightings see it
        self.noise = (1.0 - alike) * np.eye(self.size) + spread @ np.swapaxes(spread, 1, 2)
        self.weight = np.linalg.inv(self.noise)
        # Of a throw's x = (mu + s + h, c): the design, its information and its pull.
        self.design = np.concatenate([root, sightings.seen], axis=2)
        tells = np.swapaxes(self.design, 1, 2) @ self.weight
        self.information = tells @ self.design
        self.pull = np.einsum("tap,tp->ta", tells, sightings.value)
        hands = len(sightings.throwers)
        self.shared_root = np.concatenate([common, np.tile(levels.thrower, hands)])
        self.own_root = np.concatenate([levels.specimen, np.full(self.size, np.sqrt(alike))])
        self._solve()

    def _sums(self) -> tuple[Array, Array, Array, Array, Array]:
        """Information of mu and h, of these by each (s, c), of each (s, c); pulls of both."""
        p, seen = self.size, self.sightings
        kinds, hands = len(seen.specimens), len(seen.throwers)
        total, pull = np.zeros((kinds, hands, 2 * p, 2 * p)), np.zeros((kinds, hands, 2 * p))
        np.add.at(total, (seen.specimen, seen.thrower), self.information)
        np.add.at(pull, (seen.specimen, seen.thrower), self.pull)
        shared = np.zeros((1 + hands, p, 1 + hands, p))
        for h in range(hands):
            mine = total[:, h, :p, :p].sum(axis=0)
            for a in (0, 1 + h):
                for b in (0, 1 + h):
                    shared[a, :, b, :] += mine
        rows = np.concatenate([total.sum(axis=1)[:, None], total], axis=1)[:, :, :p, :]
        pulls = np.concatenate([pull.sum(axis=1)[:, None], pull], axis=1)[:, :, :p].sum(axis=0)
        size = (1 + hands) * p
        return (
            shared.reshape(size, size), rows.reshape(kinds, size, 2 * p), total.sum(axis=1),
            pulls.ravel(), pull.sum(axis=1),
        )  # fmt: skip

    def _solve(self) -> None:
        """Mean and covariance of mu and h, of each (s, c), and between these.

        By u = z / root, so that a level of no spread is no trouble.
        """
        common, own = self.shared_root, self.own_root
        shared, cross, each, shared_pull, pull = self._sums()
        cross = common[:, None] * cross * own
        inner = np.eye(own.size) + own[:, None] * each * own
        back = np.linalg.inv(inner)
        over = cross @ back
        left = np.eye(common.size) + common[:, None] * shared * common
        left -= np.einsum("kab,kcb->ac", over, cross)
        cover = np.linalg.inv(left)
        pull = own * pull
        mean = cover @ (common * shared_pull - np.einsum("kab,kb->a", over, pull))
        own_mean = np.einsum("kab,kb->ka", back, pull - np.einsum("kab,a->kb", cross, mean))
        across = -cover @ over
        own_cover = back - np.swapaxes(over, 1, 2) @ across
        p, kinds = self.size, len(each)
        self.log_size = float(np.linalg.slogdet(inner)[1].sum() + np.linalg.slogdet(left)[1])
        self.explained = float(mean @ (common * shared_pull) + np.sum(own_mean * pull))
        self.shared_mean = (common * mean).reshape(-1, p)
        self.shared_cover = (common[:, None] * cover * common).reshape(-1, p, common.size // p, p)
        self.own_mean = own * own_mean
        self.own_cover = own[:, None] * own_cover * own
        self.across = (common[:, None] * across * own).reshape(kinds, -1, p, 2 * p)

    @property
    def line(self) -> tuple[Array, Array]:
        """mu: mean (P,) and covariance (P, P), in [1] or [m]."""
        return self.shared_mean[0], self.shared_cover[0, :, 0]

    @property
    def kinds(self) -> tuple[Array, Array]:
        """mu + s of each specimen: mean (K, P) and covariance (K, P, P), in [1] or [m]."""
        p, (mean, cover) = self.size, self.line
        across = self.across[:, 0, :, :p]
        both = self.own_cover[:, :p, :p] + across + np.swapaxes(across, 1, 2)
        return mean + self.own_mean[:, :p], cover + both

    @property
    def squares(self) -> tuple[Array, Array, Array]:
        """Expected squares [1] or [m2] of s (K, P), h (H, P) and e (T, P)."""
        mean, cover = self.own
        own = self.own_mean**2 + np.einsum("kaa->ka", self.own_cover)
        shared = self.shared_mean**2 + np.einsum("gpgp->gp", self.shared_cover)
        return own[:, : self.size], shared[1:], mean**2 + np.einsum("tpp->tp", cover)

    @cached_property
    def x(self) -> tuple[Array, Array]:
        """Of each throw (mu + s + h, c [1]) by all: mean (T, 2 P), covariance (T, 2 P, 2 P)."""
        p, seen, shared = self.size, self.sightings, self.shared_cover
        mean = self.own_mean[seen.specimen]
        mean[:, :p] += (self.shared_mean[0] + self.shared_mean[1:])[seen.thrower]
        cover = self.own_cover[seen.specimen]
        both = [
            shared[0, :, 0] + shared[0, :, h] + shared[h, :, 0] + shared[h, :, h]
            for h in range(1, len(shared))
        ]
        cover[:, :p, :p] += np.array(both)[seen.thrower]
        across = self.across[seen.specimen, 0] + self.across[seen.specimen, 1 + seen.thrower]
        cover[:, :p, :] += across
        cover[:, :, :p] += np.swapaxes(across, 1, 2)
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
        value = float(np.sum(w * w) - np.einsum("tp,tpq,tq->", w, self.weight, w))
        value -= float(self._log_size(self.noise).sum())
        return 0.5 * (value - self.log_size + self.explained)
