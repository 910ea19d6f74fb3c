"""Answers of several trials side by side: repeatability, spread between specimens and throwers.

One-way random effects: value = mean + group + trial, both random. By the method of moments (ISO
5725-2:2019, clause on the mean square within and between laboratories; Searle, Casella and
McCulloch, Variance Components (1992), chapter 3), with groups of n_i among N trials in a groups,

    s_r^2 = SSW / (N - a),    s_g^2 = (MSB - s_r^2) / n0,    n0 = (N - sum n_i^2 / N) / (a - 1),

a negative s_g^2 counted as 0. The interval of s_r is exact for normal values (chi-squared); that
of s_g is Williams' (Biometrika 49 (1962) 278), with n0 in place of the common size where groups
differ.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from lashwave.quantities.answer import Answer

Array = NDArray[np.float64]
LEVEL = 0.95


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
    between: Spread
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
class Row:
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


def variance_components(values: Array, groups: Sequence[Hashable]) -> Components:
    """Spread within and between groups of values (N,).

    Raises ValueError where there are not as many groups' names as values.
    """
    if len(groups) != values.size:
        raise ValueError(f"{values.size} values, {len(groups)} groups")
    names = list(dict.fromkeys(groups))
    parts = [values[[g == name for g in groups]] for name in names]
    count, a = values.size, len(parts)
    inner = count - a
    if inner < 1:
        none = Spread(None, reason="no group has two trials or more")
        return Components(none, Spread(None, reason=none.reason), a, count, None)
    inside = float(sum(((part - part.mean()) ** 2).sum() for part in parts))
    within = _chi(inside, inner)
    if a < 2:
        return Components(within, Spread(None, reason="one group only"), a, count, None)
    sizes = np.array([part.size for part in parts], dtype=float)
    means = np.array([part.mean() for part in parts])
    outside = float(sizes @ (means - values.mean()) ** 2)
    n0 = float((count - (sizes**2).sum() / count) / (a - 1))
    return Components(within, _between(outside, inside, a, inner, n0), a, count,
                      _p(outside, inside, a - 1, inner))  # fmt: skip


def _p(outside: float, inside: float, outer: int, inner: int) -> float | None:
    if inside <= 0.0:
        return None
    return float(stats.f.sf((outside / outer) / (inside / inner), outer, inner))


def _chi(squares: float, degrees: int) -> Spread:
    tail = 0.5 * (1.0 - LEVEL)
    ends = stats.chi2.ppf([1.0 - tail, tail], degrees)
    low, high = (float(np.sqrt(squares / end)) for end in ends)
    return Spread(float(np.sqrt(squares / degrees)), low, high)


def _between(outside: float, inside: float, a: int, inner: int, n0: float) -> Spread:
    outer, tail = a - 1, 0.5 * (1.0 - LEVEL)
    within = inside / inner
    sd = float(np.sqrt(max(0.0, (outside / outer - within) / n0)))
    ends = []
    for share in (1.0 - tail, tail):
        excess = outside - outer * within * stats.f.ppf(share, outer, inner)
        ends.append(float(np.sqrt(max(0.0, excess / (n0 * stats.chi2.ppf(share, outer))))))
    return Spread(sd, min(ends[0], sd), max(ends[1], sd))


def _grouped(values: Array, groups: Sequence[Hashable], what: str) -> Components:
    """Of the trials whose group is named."""
    named = [i for i, group in enumerate(groups) if group is not None]
    if len(named) < 2:
        none = Spread(None, reason=f"under two trials name their {what}")
        return Components(none, none, len(named), len(named), None)
    return variance_components(values[named], [groups[i] for i in named])


def compared(outcomes: Sequence[Outcome]) -> list[Row]:
    """One row a quantity that any trial knows of, in the order in which they are met."""
    names = dict.fromkeys(name for outcome in outcomes for name in outcome.answers)
    return [_row(name, outcomes) for name in names]


def _row(name: str, outcomes: Sequence[Outcome]) -> Row:
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
    return Row(
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
        specimens=_grouped(values, specimen, "specimen"),
        throwers=_grouped(values, thrower, "thrower"),
    )


def _reason(answer: Answer | None) -> str | None:
    if answer is None:
        return "not among this trial's answers"
    if answer.value is None:
        return answer.reason or "not determined"
    return None


def confounded(outcomes: Sequence[Outcome]) -> bool:
    """Whether specimens and throwers cut the trials into the same groups, two or more."""
    pairs = {(o.specimen, o.thrower) for o in outcomes}
    specimens, throwers = ({pair[i] for pair in pairs} for i in (0, 1))
    return len(specimens) > 1 and len(pairs) == len(specimens) == len(throwers)
