"""The page of `lashwave compare`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from lashwave.answers import register
from lashwave.quantities import Answer
from lashwave.report import figures_study, numbers, study_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HEADINGS = (
    "quantity", "unit", "answers", "mean", "all", "repeatability", "95 %", "specimens", "throwers",
    "stated",
)  # fmt: skip
METHOD = (
    "All: standard deviation over all trials that have an answer. Repeatability: of throws of one "
    "specimen by one thrower, pooled, with its chi-squared interval (ISO 5725-2). Specimens, "
    "throwers: standard deviation between them, by random effects without interaction and the "
    "method of moments, each with what the other explains left out (Henderson's method 3: Searle, "
    "Casella and McCulloch, Variance Components, 1992); 0 where the means differ no more than "
    "throws do, a dash where the trials do not tell. Their intervals (Williams, Biometrika 49 "
    "(1962) 278) are in comparison.json. Stated: root mean square of the answers' own standard "
    "deviations, which the other columns contain.",
    "A trial without an answer is counted as missing and never filled in. Intervals hold for "
    "values that are normal and trials that are independent.",
)


def strips(record: Mapping[str, Any], wanted: Sequence[str]) -> list[figures_study.Strip]:
    """The quantities that are drawn: those wanted that any trial has, else the first eight."""
    quantities = record["quantities"]
    names = [n for n in wanted if n in quantities and quantities[n]["present"]]
    if not names:
        names = [n for n, q in quantities.items() if q["present"]][:8]
    groups = [trial["specimen"] or "" for trial in record["trials"]]
    return [
        figures_study.Strip(
            f"{name}, {quantities[name]['present']} of {quantities[name]['of']}",
            quantities[name]["unit"], quantities[name]["values"], quantities[name]["sds"], groups,
        )
        for name in names
    ]  # fmt: skip


def cells(name: str, quantity: Mapping[str, Any]) -> list[str]:
    """One quantity's row under HEADINGS."""
    mean, repeat = quantity["mean"], quantity["repeatability"]
    smallest = [
        s for s in (repeat["sd"], quantity["overall"]["sd"], quantity["stated_sd"]) if s
    ]  # fmt: skip
    places = 0 if mean is None else numbers.decimals(min(smallest, default=None), mean)

    def shown(value: float | None) -> str:
        return numbers.fixed(value, places)

    interval = "–"
    if repeat["sd"] is not None:
        interval = f"{shown(repeat['low95'])} to {shown(repeat['high95'])}"
    return [
        name, numbers.unit(quantity["unit"]), f"{quantity['present']} of {quantity['of']}",
        shown(mean), shown(quantity["overall"]["sd"]), shown(repeat["sd"]), interval,
        shown(quantity["specimens"]["between"]["sd"]), shown(quantity["throwers"]["between"]["sd"]),
        shown(quantity["stated_sd"]),
    ]  # fmt: skip


def _values(record: Mapping[str, Any]) -> list[list[str]]:
    """A row a trial and quantity of the figure that is missing, with the reason."""
    return [
        [name, trial["trial"], reason]
        for name, q in record["quantities"].items()
        for trial, reason in zip(record["trials"], q["reasons"], strict=True)
        if reason is not None
    ]


def page(record: Mapping[str, Any], figure: Figure) -> str:
    """HTML of comparison.json's content and its figure."""
    trials, quantities = record["trials"], record["quantities"]
    names = register.order(list(quantities))
    listed = [
        [str(i), t["trial"], t["specimen"] or "–", t["thrower"] or "–"]
        for i, t in enumerate(trials, 1)
    ]
    each = [[n, *(_one(quantities[n], i) for i in range(len(trials)))] for n in names]
    chapters = [
        study_page.Section("Trials", headings=["number", "trial", "specimen", "thrower"],
                           rows=listed, words=True),
        study_page.Section("Spread", headings=HEADINGS,
                           rows=[cells(n, quantities[n]) for n in names]),
        study_page.Section("Side by side", (), figure,
                           "Answers of the trials with 95 % intervals, a colour a specimen; "
                           "dashed: the mean. Crosses along the foot: no answer."),
        study_page.Section("Every answer", headings=["quantity", *(str(r[0]) for r in listed)],
                           rows=each),
        study_page.Section("Missing answers", () if _values(record) else ("None.",),
                           headings=["quantity", "trial", "why"], rows=_values(record), words=True),
        study_page.Section("Method", METHOD),
    ]  # fmt: skip
    return study_page.render(
        "Several trials", f"{len(trials)} trials compared",
        ", ".join(t["trial"] for t in trials), chapters, record["notes"],
    )  # fmt: skip


def _one(quantity: Mapping[str, Any], trial: int) -> str:
    value, sd = quantity["values"][trial], quantity["sds"][trial]
    if value is None:
        return "–"
    return numbers.with_sd(Answer(value, "1", sd))
