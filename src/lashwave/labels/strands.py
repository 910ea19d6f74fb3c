"""Strands: what is one marker for certain, whatever its label.

A track of the linker is one marker while its steps are small against the room between points. It
may take another marker's point, or a ghost, where it was lost for some samples; and it ends where
the linker was in doubt. Both are settled here by the motion on both sides of a gap: it goes on
where one polynomial in time fits the samples before and after as well as noise lets it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.stats import chi2

from lashwave.quantities.arrays import Array, Whole

FIRM, QUICK = 10, 6
"""Samples on one side of a gap that are held against those on the other. More say more; fewer suit
a quicker motion, but leave room for a turn that is none, so that they count only where nothing
else might go on there."""
WINDOW = 1.6
"""Times as many samples from the gap's edge, within which they must lie."""
FEWEST = 3
"""Samples a side below which nothing is said."""
LONGEST = 15
"""Longest gap that is bridged [samples]."""
ROOM = 0.1
"""[m] from the straight way on beyond which no continuation is looked for."""
STEP = 20e-3
"""[m] by which another marker or a reflection that moves alike may stand off and must not pass: the
polynomial is not to explain it away. Markers are farther apart, strays seldom nearer."""
DEGREE = 4
"""Of the polynomial, at most; half the number of samples, less one, where these are few, so that
at least as many numbers test it as set it."""
SURE = 0.999
"""Share of true continuations that pass, were noise normal and the motion a polynomial."""


@lru_cache(maxsize=1 << 14)
def _residuals(time: tuple[int, ...], degree: int) -> Array:
    """(n, n) projection of samples at `time` (n,) on what no polynomial of the degree explains."""
    at = np.asarray(time, dtype=float)
    basis = np.vander((at - at.mean()) / max(float(np.ptp(at)), 1.0), degree + 1)
    orthogonal, _ = np.linalg.qr(basis)
    return np.asarray(np.eye(at.size) - orthogonal @ orthogonal.T)


@lru_cache(maxsize=64)
def _most(freedom: int) -> float:
    return float(chi2.ppf(SURE, freedom))


def goes_on(
    before: Whole,
    there: Array,
    after: Whole,
    then: Array,
    sd: float,
    sides: tuple[int, ...] = (FIRM, QUICK),
) -> bool:
    """Whether one marker's samples end with `before` (n,) at `there` (n, 3) and go on with `after`
    (m,) at `then` (m, 3); False where there are too few to say, or the gap is too long to see a
    step of `STEP` at it. Positions and sd in m."""
    for side in sides:
        one = before >= before[-1] - WINDOW * side
        one[:-side] = False
        two = after <= after[0] + WINDOW * side
        two[side:] = False
        if one.sum() < FEWEST or two.sum() < FEWEST:
            return False
        seen = np.concatenate([before[one], after[two]])
        place = np.concatenate([there[one], then[two]])
        degree = min(DEGREE, seen.size // 2 - 1)
        rest = _residuals(tuple((seen - seen[0]).tolist()), degree)
        most = _most(3 * (seen.size - degree - 1)) * sd**2
        step = STEP * (seen >= after[0])
        if step @ rest @ step > 2.0 * most and float(((rest @ place) ** 2).sum()) < most:
            return True
    return False


def strands(sample: Whole, position: Array, track: Whole, sd: float) -> Whole:
    """Tracks (U,) parted where a gap leaves it open whether the same marker goes on, and joined
    where it surely does: new numbers. sample : (U,); position : (U, 3) [m]; sd : [m]."""
    order = np.lexsort((sample, track))
    pieces: list[Whole] = []
    for own in np.split(order, np.flatnonzero(np.diff(track[order])) + 1):
        gaps = np.flatnonzero(np.diff(sample[own]) > 1) + 1
        parts = [g for g in gaps if not _firm(sample[own], position[own], int(g), sd)]
        pieces += np.split(own, parts)
    out = np.empty(track.size, np.int64)
    for number, members in enumerate(_joined(sample, position, pieces, sd)):
        out[members] = number
    return out


def _firm(seen: Whole, place: Array, at: int, sd: float) -> bool:
    return goes_on(seen[:at], place[:at], seen[at:], place[at:], sd, (FIRM,))


def _joined(sample: Whole, position: Array, pieces: list[Whole], sd: float) -> list[Whole]:
    """Pieces put together where one goes on as the other, and neither might go on otherwise."""
    long = [p for p in pieces if p.size >= FEWEST]
    first = np.array([sample[p[0]] for p in long])
    begin = np.array([position[p[0]] for p in long]).reshape(-1, 3)
    after: dict[int, list[int]] = {}
    ahead: dict[int, list[int]] = {}
    for k, own in enumerate(long):
        last, pace = sample[own[-1]], position[own[-1]] - position[own[-2]]
        pace = pace / (last - sample[own[-2]])
        soon = np.flatnonzero((first > last) & (first <= last + LONGEST + 1))
        ahead_of = position[own[-1]] + (first[soon] - last)[:, None] * pace
        near = np.linalg.norm(begin[soon] - ahead_of, axis=1) < ROOM
        for j in soon[near].tolist():
            other = long[j]
            if goes_on(sample[own], position[own], sample[other], position[other], sd):
                after.setdefault(k, []).append(j)
                ahead.setdefault(j, []).append(k)
    follows = {k: j[0] for k, j in after.items() if len(j) == 1 and len(ahead[j[0]]) == 1}
    begun = set(range(len(long))) - set(follows.values())
    out = [p for p in pieces if p.size < FEWEST]
    for k in sorted(begun):
        chain = [long[k]]
        while k in follows:
            k = follows[k]
            chain.append(long[k])
        out.append(np.concatenate(chain))
    return out
