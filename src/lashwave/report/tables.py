"""The table of answers: the names of `summary.json`, what each means, in groups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import WORDS, register
from lashwave.quantities import Answer
from lashwave.report import numbers

if TYPE_CHECKING:
    import xarray as xr

OTHER = "Other"
"""Answers that the register does not know: of a later version of the program."""


@dataclass(frozen=True)
class AnswerRow:
    """One answer as printed."""

    name: str
    meaning: str
    value: str
    sd: str
    interval: str
    unit: str
    probability: str
    missing: bool


def meaning(name: str) -> tuple[str, str]:
    """The group of an answer, and its definition, of the camera, microphone or events it names."""
    found = register.entry(name)
    if found is None:
        return OTHER, ""
    if found.name == register.ORDER:
        return found.group, name.removeprefix("probability_").replace("_", " ")
    who = name.partition(":")[2]
    return found.group, f"{who}: {found.definition}" if who else found.definition


def row(name: str, answer: Answer, draws: int) -> AnswerRow:
    """An answer's row; where there is no value, the reason stands in its place.

    draws : of the motion, which bound what a probability can say.
    """
    value = answer.value
    places = 0 if value is None else numbers.decimals(answer.sd, value)
    chance = answer.probability
    shown = answer.reason or "not determined"
    if value is not None:
        is_chance = name.startswith("probability_")
        shown = numbers.chance(value, draws) if is_chance else numbers.fixed(value, places)
    return AnswerRow(
        name=name,
        meaning=meaning(name)[1],
        value=shown,
        sd="–" if value is None else numbers.fixed(answer.sd, places),
        interval=numbers.interval(answer),
        unit=numbers.unit(answer.unit),
        probability="" if chance is None else numbers.chance(chance, draws),
        missing=value is None,
    )


def groups(answers: dict[str, Answer], draws: int) -> list[tuple[str, list[AnswerRow]]]:
    """All answers as rows, in groups and in the order of the register."""
    found: dict[str, list[AnswerRow]] = {}
    for name in register.order(list(answers)):
        found.setdefault(meaning(name)[0], []).append(row(name, answers[name], draws))
    return [(g, found[g]) for g in (*register.groups(), OTHER) if g in found]


@dataclass(frozen=True)
class Grid:
    """A plain table: a head, and rows whose first cell names them."""

    head: list[str]
    rows: list[list[str]]


def order(lists: xr.Dataset) -> Grid | None:
    """Probabilities that the event of a row comes before that of a column."""
    if "probability_before" not in lists:
        return None
    names = [WORDS.get(str(e), str(e)) for e in lists["event"].values]
    head = ["comes before →", *names, "happens at all"]
    rows = []
    draws = int(lists["probability_before"].attrs["draws"])
    happened = lists["probability_of_event"].values
    for name, chances, chance in zip(
        names, lists["probability_before"].values, happened, strict=True
    ):
        cells = ["–" if np.isnan(p) else numbers.chance(float(p), draws) for p in chances]
        rows.append([name, *cells, numbers.chance(float(chance), draws)])
    return Grid(head, rows)
