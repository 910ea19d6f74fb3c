"""Which fold a falling chain has: the record of its free end against two models and the family.

The models are those of `mechanics.fall`. They are compared by sightings that they were not fitted
to: the record is cut into blocks of consecutive samples, each is left out in turn, release time,
height and length are fitted to the rest, and the block is scored by its log density. The score's
difference, summed over the blocks, has the standard error sqrt(n) times the standard deviation of
the blocks' differences: a block's samples share their misfit, so samples must not count singly
(Vehtari, Gelman and Gabry, Stat. Comput. 27 (2017) 1413, eq. 23 and 24, there by single points).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lashwave.mechanics import ENERGY, PLASTIC, fallen_at, time_ratio
from lashwave.quantities import Array

BLOCKS = 24
USED = 0.95
"""Share of the length to which the fall is used: the snap after it depends on the links."""
COARSE = 0.34
"""A chain of N rigid links falls later: its ratio lies at most this over N above that of a
continuous one (planar chains of 80 and 160 links: 0.32 and 0.24; `tests/published`)."""
FEWEST = 4 * BLOCKS
"""Samples that a comparison needs."""
ROUGHEST = 0.05
"""Scatter about the best fall, over the length, beyond which a record shows no fall: good records
scatter by some thousandths, and the two folds part by a tenth of the length."""


@dataclass(frozen=True)
class Record:
    """The free end of one falling chain."""

    time: Array
    """(T,) [s], increasing."""
    height: Array
    """(T,) [m], upward, from any level."""
    length: float
    """[m]"""
    length_sd: float = 1e-3
    """[m]"""
    gravity: float = 9.80665
    gap: float = 0.0
    """Between the two arms [m]. A round fold of that width changes neither energy nor its rate
    while the falling arm lasts (derived here); the arm is used up at length less pi gap / 2."""

    links: float = np.inf
    """How many links the chain has."""

    def used(self) -> Record:
        """The samples before the free end is too low.

        That is when it has fallen by `USED` of the length, or by the fold's width more than to
        the end of the falling arm.
        """
        reach = min(USED * self.length, self.length - (0.5 * np.pi + 1.0) * self.gap)
        start = float(np.median(self.height[: max(3, self.height.size // 50)]))
        past = np.flatnonzero(start - self.height > reach)
        end = int(past[0]) if past.size else self.time.size
        return replace(self, time=self.time[:end], height=self.height[:end])


@dataclass(frozen=True)
class Fitted:
    """A model fitted to samples."""

    value: Array
    """Release time [s], height there [m], length [m], and the share kept where it is free."""
    cov: Array
    sd: float
    """Of one sample about the model [m]."""
    determined: bool
    """Whether the samples tell every free value."""


@dataclass(frozen=True)
class Verdict:
    """What a record says of its fold."""

    kept: tuple[float, float]
    """Share of energy kept and its standard deviation."""
    ratio: tuple[float, float]
    """Fall time over free fall, and its standard deviation."""
    noise: float
    """Standard deviation of a sample about the free family [m]."""
    score: Array
    """(B,) log score of the energy-keeping less that of the plastic fold, block by block."""
    release: float
    """[s]"""
    links: float = np.inf

    @property
    def difference(self) -> tuple[float, float]:
        """Sum of the scores and its standard error."""
        return paired(self.score)

    @property
    def ratio95(self) -> tuple[float, float]:
        """Interval of the ratio that a chain of ever more links would show.

        95 % (Gaussian) of the record's own, and below it what `COARSE` links may have added.
        """
        value, sd = self.ratio
        return value - 1.959964 * sd - COARSE / self.links, value + 1.959964 * sd

    def sentence(self) -> str:
        """Which fold the record prefers, in words."""
        total, error = self.difference
        if abs(total) <= 2.0 * error:
            return f"The record cannot tell the folds apart ({total:.1f} +- {error:.1f})."
        name = "energy-keeping" if total > 0 else "plastic"
        return (
            f"The {name} fold predicts held-out samples better, by {abs(total):.1f} in log score, "
            f"{abs(total) / error:.1f} standard errors."
        )


def paired(score: Array) -> tuple[float, float]:
    """Sum of the blocks' differences (B,) [1] and its standard error."""
    return float(score.sum()), float(np.sqrt(score.size) * score.std(ddof=1))


def fit(record: Record, kept: float | None, use: NDArray[np.bool_] | None = None) -> Fitted:
    """Least squares of release time, height and length, and of the share kept where it is None.

    The length is held by its own standard deviation; the noise is what the samples show.

    use : (T,), no unit: true for samples that count.
    """
    use = np.ones(record.time.size, dtype=bool) if use is None else use
    time, height = record.time[use], record.height[use]

    def model(p: Array) -> Array:
        share = p[3] if kept is None else kept
        return np.asarray(p[1] - fallen_at(time - p[0], p[2], record.gravity, float(share)))

    free = 4 if kept is None else 3
    top = float(np.median(record.height[: max(3, record.height.size // 50)]))
    middle = int(np.argmax(top - record.height > 0.3 * record.length))
    release = record.time[middle] - np.sqrt(2.0 * (top - record.height[middle]) / record.gravity)
    start = np.array([release, top, record.length, 0.7])[:free]
    noise = 1e-2 * record.length
    for _ in range(3):  # the noise weighs the samples against the stated length

        def miss(p: Array, noise: float = noise) -> Array:
            held = (p[2] - record.length) / record.length_sd
            return np.append((model(p) - height) / noise, held)

        low, high = [-np.inf, -np.inf, 0.0, 0.0][:free], [np.inf, np.inf, np.inf, 1.9][:free]
        found = least_squares(
            miss, start, bounds=(low, high), x_scale=[1e-2, 1e-2, 1e-2, 0.1][:free]
        )
        start = found.x
        rest = model(found.x) - height
        noise = float(np.sqrt(rest @ rest / (height.size - free)))
    determined = bool(np.linalg.matrix_rank(found.jac) == free)
    return Fitted(found.x, np.linalg.pinv(found.jac.T @ found.jac), noise, determined)


def scores(record: Record, kept: float, blocks: int = BLOCKS) -> Array:
    """(B,) log density [1] of each block of consecutive samples, by a fit to all the others."""
    block = np.arange(record.time.size) * blocks // record.time.size
    found = np.empty(blocks)
    for b in range(blocks):
        rest = fit(record, kept, block != b)
        inside = block == b
        p = rest.value
        model = p[1] - fallen_at(record.time[inside] - p[0], p[2], record.gravity, kept)
        miss = (record.height[inside] - model) / rest.sd
        found[b] = -0.5 * miss @ miss - inside.sum() * np.log(rest.sd * np.sqrt(2 * np.pi))
    return found


def judge(record: Record) -> Verdict:
    """Fit the family and compare the two classical folds by held-out blocks.

    Raises
    ------
    ValueError : fewer than `FEWEST` samples before the end of the fall, or heights that are no
    fall: scattered by more than `ROUGHEST` of the length, or not telling the share kept.
    """
    record = record.used()
    if record.time.size < FEWEST:
        raise ValueError(f"{record.time.size} samples of the fall; {FEWEST} are needed")
    whole = fit(record, None)
    if whole.sd > ROUGHEST * record.length:
        raise ValueError(
            f"the heights scatter by {1e3 * whole.sd:.3g} mm about the best fall of a chain of "
            f"{record.length:.3g} m"
        )
    if not whole.determined:
        raise ValueError("the heights do not tell how much energy the fold keeps")
    kept, sd = float(whole.value[3]), float(np.sqrt(whole.cov[3, 3]))
    slope = (time_ratio(kept + 1e-3) - time_ratio(kept)) / 1e-3
    return Verdict(
        kept=(kept, sd),
        ratio=(time_ratio(kept), abs(slope) * sd),
        noise=whole.sd,
        score=scores(record, ENERGY) - scores(record, PLASTIC),
        release=float(whole.value[0]),
        links=record.links,
    )
