"""The spreads of specimens, throwers and throws that have the greatest posterior density.

Each has one member's weight of a guess, so that few groups do not make it 0. The slope of the log
density by a log spread is that of the complete data, its expectation taken over what is not seen
(Fisher's identity; Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1, eq. 2.13).
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, Mask
from lashwave.study.joint_throws import JointThrows, Levels, White

GUESS = {"specimen": 0.5, "thrower": 0.1, "throw": 0.1}
"""Standard deviation guessed of each level, over that of what was stated before."""
LEVELS = Levels._fields
FARTHEST = 12.0
"""Largest logarithm of a spread over its guess, either way."""


def guessed(sightings: White, sd: Array, own: Mask) -> tuple[Levels, Array]:
    """Where the search begins, and which of the spreads (3, P) are unknown.

    sd : (P,), what was stated, in the parameters' own units, [1] or [m]; own : (P,), as in
    `together`. A level with one group alone has no spread of its own: it is part of mu.
    """
    free = np.array([
        ~own & (len(sightings.specimens) > 1),
        ~own & (len(sightings.throwers) > 1),
        np.full(own.size, len(sightings.specimen) > 1),
    ])  # fmt: skip
    guess = np.array([GUESS[level] * sd for level in LEVELS]) * free
    guess[0] = np.where(own, sd, guess[0])
    return Levels(*guess), free


def found_levels(
    sightings: White, sd: Array, own: Mask, alike: float, start: Levels | None = None
) -> tuple[Levels, float]:
    """The spreads (P,), as [1] for logarithms and [m] for stations, and their log density [1].

    sd : (P,), what was stated; alike : as in `together`; start : where the search begins, by
    default the guess.
    """
    from scipy.optimize import minimize

    guess, free = guessed(sightings, sd, own)
    about = np.array(guess)[free]
    common = np.where(own, 0.0, sd)

    def levels_of(logs: Array) -> Levels:
        every = np.array(guess)
        every[free] = about * np.exp(logs)
        return Levels(*every)

    def lost(logs: Array) -> tuple[float, Array]:
        joint = JointThrows(sightings, common, levels_of(logs), alike)
        pulled = np.exp(-2.0 * logs)
        value = joint.log_evidence() - float((logs + 0.5 * pulled).sum())
        return -value, -(_slopes(joint)[free] - 1.0 + pulled)

    begin = np.zeros(about.size) if start is None else np.log(np.array(start)[free] / about)
    if not begin.size:
        return guess, -lost(begin)[0]
    best = minimize(lost, begin, jac=True, method="L-BFGS-B",
                    bounds=[(-FARTHEST, FARTHEST)] * begin.size)  # fmt: skip
    return levels_of(best.x), -float(best.fun)


def _slopes(joint: JointThrows) -> Array:
    """Of the log evidence by the logs of the spreads, (3, P)."""
    found = []
    for square, spread in zip(joint.squares, joint.levels, strict=True):
        over = np.where(spread > 0.0, spread, np.inf)
        found.append((square / over**2 - (spread > 0.0)).sum(axis=0))
    return np.array(found)
