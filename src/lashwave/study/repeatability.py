"""Answers of several trials side by side: repeatability, spread between specimens and throwers.

Random effects: value = mean + specimen + thrower + trial, all random. Variances come by the method
of moments. The trials' own, s_r^2, is the mean square within throws of one specimen by one thrower
(ISO 5725-2:2019, repeatability); that of a factor is what the sum of squares falls by as it is
fitted after the other one, set equal to its expectation (Henderson's method 3: Searle, Casella and
McCulloch, Variance Components (1992), section 5.5), n0 s_g^2 + s_r^2 a degree of freedom:

    s_g^2 = (MSB - s_r^2) / n0,

a negative one counted as 0. Without a second factor this is the one-way analysis, n0 = (N - sum
n_i^2 / N) / (a - 1) with groups of n_i among N trials in a groups. The interval of s_r is exact for
normal values (chi-squared); that of s_g is Williams' (Biometrika 49 (1962) 278), of
about the level asked for equal groups and one factor (97.5 % where the groups do not differ).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from lashwave.quantities import Answer, Array

LEVEL = 0.95
NO_REPEAT = "no two trials are alike in specimen and thrower"


@dataclass(frozen=True)
class Spread:
    """A standard deviation with its 95 % interval; None where the trials do not tell."""

    sd: float | None
    low95: float | None = None
    high95: float | None = None
    reason: str = ""
    """Why there is none."""


@dataclass(frozen=True)
class Components:
    """Spread within and between groups of trials."""

    within: Spread
    """Of throws alike in all that is named."""
    between: Spread
    """With what another factor explains left out."""
    groups: int
    trials: int
    p: float | None
    """Of the F test that all groups have one mean."""


@dataclass(frozen=True)
class Outcome:
    """What `compare` needs of a trial's answers."""

    trial: str
    specimen: str | None
    thrower: str | None
    answers: dict[str, Answer]


@dataclass(frozen=True)
class Repeated:
    """One quantity over all trials."""

    name: str
    unit: str
    values: tuple[float | None, ...]
    sds: tuple[float | None, ...]
    """In the order of the trials; None where a trial has no answer."""
    reasons: tuple[str | None, ...]
    """Why, where there is none."""
    mean: float | None
    median: float | None
    stated: float | None
    """Root mean square of the answers' own standard deviations."""
    overall: Spread
    repeatability: Spread
    """Of throws of one specimen by one thrower."""
    specimens: Components
    throwers: Components

    @property
    def present(self) -> int:
        """Trials that have an answer."""
        return sum(value is not None for value in self.values)


def variance_components(
    values: Array, groups: Sequence[Hashable], others: Sequence[Hashable] | None = None
) -> Components:
    """Spread of values (N,) within and between groups, with another factor fitted first.

    The values may have any unit, as [m/s].

    Raises ValueError where there are not as many names as values.
    """
    others = ["all"] * values.size if others is None else others
    if not values.size == len(groups) == len(others):
        raise ValueError(f"{values.size} values, {len(groups)} groups, {len(others)} others")
    count, a = values.size, len(set(groups))
    mine, first = _indicators(groups), _indicators(others)
    cells = list(zip(groups, others, strict=True))
    inside, inner = _left(values, _indicators(cells))
    alike = _chi(inside, inner) if inner else Spread(None, reason=NO_REPEAT)
    if a < 2:
        return Components(alike, Spread(None, reason="one group only"), a, count, None)
    both = np.concatenate([first, mine], axis=1)
    after, rest = _left(values, both)
    before, _ = _left(values, first)
    outer = int(np.linalg.matrix_rank(both) - np.linalg.matrix_rank(first))
    if outer == 0:
        why = "differs from trial to trial only as another factor does"
        return Components(alike, Spread(None, reason=why), a, count, None)
    if not inner:
        inside, inner = after, rest
    if not inner:
        return Components(alike, Spread(None, reason=NO_REPEAT), a, count, None)
    unexplained = mine - first @ np.linalg.lstsq(first, mine, rcond=None)[0]
    n0 = float((unexplained**2).sum() / outer)
    outside = before - after
    return Components(
        alike, _between(outside, inside, outer, inner, n0), a, count,
        _p(outside, inside, outer, inner),
    )  # fmt: skip


def _indicators(groups: Sequence[Hashable]) -> Array:
    """(N, a), 1 where a trial is of a group."""
    names = list(dict.fromkeys(groups))
    return np.array([[float(group == name) for name in names] for group in groups])


def _left(values: Array, columns: Array) -> tuple[float, int]:
    """Sum of squares that columns leave of values, and its degrees of freedom."""
    rest = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    return float(rest @ rest), int(values.size - np.linalg.matrix_rank(columns))


def _p(outside: float, inside: float, outer: int, inner: int) -> float | None:
    if inside <= 0.0:
        return None
    return float(stats.f.sf((outside / outer) / (inside / inner), outer, inner))


def _chi(squares: float, degrees: int) -> Spread:
    tail = 0.5 * (1.0 - LEVEL)
    ends = stats.chi2.ppf([1.0 - tail, tail], degrees)
    low, high = (float(np.sqrt(squares / end)) for end in ends)
    return Spread(float(np.sqrt(squares / degrees)), low, high)


def _between(outside: float, inside: float, outer: int, inner: int, n0: float) -> Spread:
    tail = 0.5 * (1.0 - LEVEL)
    within = inside / inner
    sd = float(np.sqrt(max(0.0, (outside / outer - within) / n0)))
    ends = []
    for share in (1.0 - tail, tail):
        excess = outside - outer * within * stats.f.ppf(share, outer, inner)
        ends.append(float(np.sqrt(max(0.0, excess / (n0 * stats.chi2.ppf(share, outer))))))
    return Spread(sd, min(ends[0], sd), max(ends[1], sd))


def _grouped(
    values: Array, groups: Sequence[str | None], others: Sequence[str | None], what: str
) -> Components:
    """Of the trials whose group is named; an unnamed level of the other factor is one level."""
    named = [i for i, group in enumerate(groups) if group is not None]
    if len(named) < 2:
        none = Spread(None, reason=f"under two trials name their {what}")
        return Components(none, none, len(named), len(named), None)
    return variance_components(
        values[named], [groups[i] for i in named], [others[i] for i in named]
    )


def compared(outcomes: Sequence[Outcome]) -> list[Repeated]:
    """One row a quantity that any trial knows of, in the order in which they are met."""
    names = dict.fromkeys(name for outcome in outcomes for name in outcome.answers)
    return [_row(name, outcomes) for name in names]


def _row(name: str, outcomes: Sequence[Outcome]) -> Repeated:
    answers = [outcome.answers.get(name) for outcome in outcomes]
    has = [i for i, a in enumerate(answers) if a is not None and a.value is not None]
    found = [answers[i] for i in has]
    values = np.array([a.value for a in found if a is not None], dtype=float)
    specimen = [outcomes[i].specimen for i in has]
    thrower = [outcomes[i].thrower for i in has]
    # An unnamed specimen or thrower is taken to be one and the same.
    cells = list(zip(specimen, thrower, strict=True))
    stated = [a.sd for a in found if a is not None and a.sd is not None]
    few = Spread(None, reason="under two answers")
    enough = values.size >= 2
    return Repeated(
        name=name,
        unit=next((a.unit for a in answers if a is not None), "1"),
        values=tuple(None if a is None else a.value for a in answers),
        sds=tuple(None if a is None or a.value is None else a.sd for a in answers),
        reasons=tuple(_reason(a) for a in answers),
        mean=float(values.mean()) if values.size else None,
        median=float(np.median(values)) if values.size else None,
        stated=float(np.sqrt(np.mean(np.square(stated)))) if stated else None,
        overall=_chi(float(((values - values.mean()) ** 2).sum()), values.size - 1)
        if enough
        else few,
        repeatability=variance_components(values, cells).within if enough else few,
        specimens=_grouped(values, specimen, thrower, "specimen"),
        throwers=_grouped(values, thrower, specimen, "thrower"),
    )


def _reason(answer: Answer | None) -> str | None:
    if answer is None:
        return "not among this trial's answers"
    if answer.value is None:
        return answer.reason or "not determined"
    return None
