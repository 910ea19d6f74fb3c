"""Throws of a campaign as one table: a row a throw, a column an answer, in SI.

Every answer has four columns: its value, `_sd`, `_low95` and `_high95`, each with the unit in
brackets where there is one. A number that is missing is empty, never filled in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from lashwave.quantities import Answer

if TYPE_CHECKING:
    import pandas as pd

    from lashwave.study.repeatability import Outcome

WAITING, DONE, FAILED = "waiting", "done", "failed"
PARTS = ("sd", "low95", "high95")


@dataclass(frozen=True)
class CampaignThrow:
    """One throw of a campaign and what is known of it by now."""

    trial: str
    specimen: str | None = None
    thrower: str | None = None
    date: str | None = None
    conditions: Mapping[str, float | str | None] = field(default_factory=dict)
    """By heading, unit in brackets."""
    state: str = WAITING
    """waiting, done or failed"""
    reason: str = ""
    """Why it failed."""
    facts: Mapping[str, Any] = field(default_factory=dict)
    """Of its quality: verdict, cares, distrusted, residual, whiteness, withheld."""
    answers: Mapping[str, Answer] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """As `compared` takes it."""
        from lashwave.study.repeatability import Outcome

        return Outcome(self.trial, self.specimen, self.thrower, dict(self.answers))


def heading_of(name: str, unit: str) -> str:
    """A column's heading: the unit in brackets where there is one."""
    return name if unit in ("", "1") else f"{name} [{unit}]"


def table_of(
    throws: Sequence[CampaignThrow], concerns: Sequence[tuple[float, str]]
) -> pd.DataFrame:
    """The table, in the order of the throws.

    Parameters
    ----------
    concerns : of each throw, as `concerns_of` gives them.
    """
    import pandas as pd

    headings: dict[str, None] = {}
    units: dict[str, str] = {}
    for throw in throws:
        headings.update(dict.fromkeys(throw.conditions))
        for name, answer in throw.answers.items():
            units.setdefault(name, answer.unit)
    columns: dict[str, list[Any]] = {
        "trial": [t.trial for t in throws],
        "specimen": [t.specimen for t in throws],
        "thrower": [t.thrower for t in throws],
        "date": [t.date for t in throws],
        **{head: [t.conditions.get(head) for t in throws] for head in headings},
        "state": [t.state for t in throws],
        "reason": [t.reason or None for t in throws],
        "verdict": [t.facts.get("verdict") for t in throws],
        "warnings": [len(t.warnings) for t in throws],
        "concern": [d for d, _ in concerns],
        "concern_because": [why or None for _, why in concerns],
        **{
            name: [_number(t.facts.get(name)) for t in throws]
            for name in ("distrusted", "residual", "whiteness", "withheld")
        },
    }
    for name, unit in units.items():
        columns |= _of_answer(name, unit, [t.answers.get(name) for t in throws])
    return _typed(pd.DataFrame(columns), headings)


def _of_answer(name: str, unit: str, answers: Sequence[Answer | None]) -> dict[str, list[Any]]:
    found = {heading_of(name, unit): [_number(a and a.value) for a in answers]}
    for part in PARTS:
        found[heading_of(f"{name}_{part}", unit)] = [
            _number(a and getattr(a, part)) for a in answers
        ]
    if any(a is not None and a.probability is not None for a in answers):
        found[f"{name}_probability"] = [_number(a and a.probability) for a in answers]
    return found


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _typed(table: pd.DataFrame, headings: Mapping[str, None]) -> pd.DataFrame:
    """Text as text and numbers as numbers, also in a column that is empty so far."""
    text = ["trial", "specimen", "thrower", "date", "state", "reason", "verdict", "concern_because"]
    for name in (*text, *headings):
        values = [v for v in table[name] if v is not None and v == v]
        numbers = bool(values) and all(isinstance(v, float | int) for v in values)
        table[name] = table[name].astype("float64" if numbers and name not in text else "string")
    return table
