"""What a set-up would resolve before it is built, and how many throws show a difference.

A set-up watches an expected throw; the equations of the fit, factored once at that throw, say how
well each answer would be known (`estimate.foreseen`). How far two lines must differ to be told
apart follows by the power of Student's two-sample test, throws differing among each other as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.answers import answer
from lashwave.estimate import Options, Places, foreseen
from lashwave.quantities import Answer, Draws, Fit, InputError, Residuals, Trial

ANSWERS = (
    "peak_tip_speed", "peak_tip_speed_100us", "peak_tip_speed_time", "sonic_time", "sonic_station",
    "extension_at_sonic", "hand_work", "hand_impulse", "peak_grip_tension", "peak_kinetic_energy",
    "drag_normal", "stiffness_scale",
)  # fmt: skip
"""Answers whose standard deviations are foretold; those that a trial does not give are left out."""
LEVEL, POWER = 0.05, 0.8
"""Of a test: chance of a difference that is not there, and of finding one that is (Cohen 1988)."""


def fit_of(draws: Draws) -> Fit:
    """Draws as the fit that answers are asked of, its motion their mean."""
    place = draws.position.mean(axis=0, dtype=float)
    speed = draws.velocity.mean(axis=0, dtype=float)
    none = np.full(place.shape[:2], np.nan)
    blank = np.zeros_like(place)
    seen = Residuals(np.empty((0, 0, 3)), np.empty((0, 0)), {}, {}, float("nan"))
    return Fit(
        draws.time, draws.station, place, blank, speed, blank, blank, none, none, none, draws,
        seen, {},
    )  # fmt: skip


def foretold(trial: Trial, places: Places, draws: int = 120) -> dict[str, Answer]:
    """Answers that a trial like this would give of an expected motion, with their sds.

    Parameters
    ----------
    trial : as `twin.watched` makes it; places : the motion, see `estimate.foreseen`.
    draws : standard deviations scatter by 1 / sqrt(2 draws).

    Raises
    ------
    NotConvergedError : the sightings would not hold the motion.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        found, _, _ = answer(trial, fit_of(foreseen(trial, places, Options(draws=draws))))
    names = [*ANSWERS, *(name for name in found if name.startswith("clock_offset:"))]
    return {name: found[name] for name in names if name in found and found[name].sd is not None}


def power(effect: float, first: int, second: int | None = None, level: float = LEVEL) -> float:
    """Chance that a two-sided two-sample t test finds a difference [1].

    Parameters
    ----------
    effect : the difference over the standard deviation of a throw [1].
    first, second : throws of the two lines; as many of the second unless given.

    Source: Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, chapter 2.
    """
    from scipy.stats import nct, t

    n, m = first, first if second is None else second
    free = n + m - 2
    limit = t.ppf(1.0 - 0.5 * level, free)
    shift = effect * np.sqrt(n * m / (n + m))
    return float(nct.sf(limit, free, shift) + nct.cdf(-limit, free, shift))


def smallest_effect(
    first: int, second: int | None = None, level: float = LEVEL, wanted: float = POWER
) -> float:
    """The least difference, over the sd of a throw [1], found with the wanted chance.

    Raises
    ------
    InputError : fewer than two throws of each line.
    """
    from scipy.optimize import brentq

    if min(first, first if second is None else second) < 2:
        raise InputError("throws", "one throw of a line has no spread", "plan two or more of each")
    most = 0.01
    while power(most, first, second, level) < wanted:  # far above it the library gives nan
        most *= 1.5
    return float(brentq(lambda d: power(d, first, second, level) - wanted, 1e-9, most, xtol=1e-9))


def throws_needed(effect: float, level: float = LEVEL, wanted: float = POWER) -> int | None:
    """Throws of each line, alike many, that find a difference of `effect` sds [1].

    None over a million.
    """
    least, most = 2, 2
    while power(effect, most, level=level) < wanted:
        least, most = most, 2 * most
        if most > 1 << 20:
            return None
    while least < most:
        middle = (least + most) // 2
        if power(effect, middle, level=level) < wanted:
            least = middle + 1
        else:
            most = middle
    return most


@dataclass(frozen=True)
class Offer:
    """What one set-up gives for a budget."""

    name: str
    price: float
    throws: int
    """That the rest of the budget pays for."""
    sd: float
    """Of the answer in one throw by the set-up alone."""
    spread: float
    """Of one throw: set-up and throws among themselves."""
    mean_sd: float
    """Of the mean over all throws."""
    effect: float | None
    """Smallest difference between two lines, half of the throws each; None under four throws."""


def offers(
    sds: Mapping[str, float], prices: Mapping[str, float], budget: float, a_throw: float,
    between: float, most: int = 1000,
) -> list[Offer]:  # fmt: skip
    """What each set-up gives for the whole budget, the best first.

    Parameters
    ----------
    sds : of the answer in one throw, by set-up; prices : by set-up, without throws.
    a_throw : price of one; between : standard deviation of throws among each other, in the unit of
        the answer.
    most : throws at most.
    """
    found = []
    for name, sd in sds.items():
        rest = budget - prices[name]
        count = most if a_throw <= 0 else min(most, int(rest / a_throw + 1e-9))
        if rest < 0 or count < 1:
            continue
        spread = float(np.hypot(sd, between))
        half = count // 2
        effect = smallest_effect(half, count - half) * spread if half >= 2 else None
        found.append(Offer(name, prices[name], count, sd, spread, spread / np.sqrt(count), effect))
    return sorted(found, key=lambda o: (np.inf if o.effect is None else o.effect, o.mean_sd))


@dataclass(frozen=True)
class NextThrow:
    """Which throw of a running campaign would tell most."""

    line: str
    counts: dict[str, int]
    """Throws of each line so far."""
    spread: dict[str, float]
    """Standard deviation of throws of each line."""
    now: float
    """Standard deviation of the difference of the two means as it is ..."""
    after: dict[str, float]
    """... and after one more throw of each line."""
    by_instruments: float
    """Share of a throw's variance that the set-up causes: near 1, better instruments help; near 0,
    more throws do."""


def next_throw(
    values: Mapping[str, Sequence[float]], sds: Mapping[str, Sequence[float]]
) -> NextThrow:
    """Which of two lines to throw next, so that their difference becomes surest.

    Parameters
    ----------
    values, sds : of an answer in the throws of each line so far, in the answer's unit, as [m/s].

    Spreads that differ no more than chance (F test, 5 %) are pooled. The next throw goes to the
    line for which the variance of the difference falls most (Neyman's allocation, one at a time).

    Raises
    ------
    InputError : not two lines, or fewer than two throws of one.
    """
    from scipy.stats import f as fisher

    if len(values) != 2 or min(len(v) for v in values.values()) < 2:
        raise InputError(
            "throws", "not two lines with two throws each", "name two lines; throw each twice"
        )
    variance = {k: float(np.var(v, ddof=1)) for k, v in values.items()}
    counts = {k: len(v) for k, v in values.items()}
    (a, b) = values
    ratio = variance[a] / max(variance[b], 1e-300)
    tail = fisher.cdf(ratio, counts[a] - 1, counts[b] - 1)
    if 0.025 < tail < 0.975:
        free = {k: n - 1 for k, n in counts.items()}
        pooled = sum(free[k] * variance[k] for k in free) / sum(free.values())
        variance = dict.fromkeys(variance, pooled)

    def mean_sd(more: str | None) -> float:
        return float(np.sqrt(sum(v / (counts[k] + (k == more)) for k, v in variance.items())))

    after = {k: mean_sd(k) for k in values}
    own = float(np.mean([np.square(s).mean() for s in sds.values()]))
    whole = float(np.mean(list(variance.values())))
    return NextThrow(
        min(after, key=lambda k: after[k]), counts, {k: v**0.5 for k, v in variance.items()},
        mean_sd(None), after, min(1.0, own / max(whole, 1e-300)),
    )  # fmt: skip
