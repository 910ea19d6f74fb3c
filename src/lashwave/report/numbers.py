"""Numbers as they are printed: as many digits as their standard deviation lets stand; and tables.

The table of answers has the names of `summary.json`, what each means, in groups.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import WORDS, register
from lashwave.quantities import Answer, Foretold

if TYPE_CHECKING:
    import xarray as xr


SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
NARROW = "\N{NARROW NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"


def decimals(sd: float | None, value: float) -> int:
    """Decimal places that show two digits of the standard deviation, or five of the value."""
    # A spread in the last digits of a float, as of two equal answers, is rounding.
    if sd is not None and math.isfinite(sd) and sd > 1e-9 * abs(value):
        return max(0, 1 - math.floor(math.log10(sd)))
    if value == 0 or not math.isfinite(value):
        return 0
    return max(0, 4 - math.floor(math.log10(abs(value))))


def fixed(value: float | None, places: int) -> str:
    """A number with so many decimals and a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    # Sixteen digits are all a float has.
    return f"{value:.{min(places, 15)}f}".replace("-", MINUS)


def unit(text: str) -> str:
    """A unit as printed: `m s-1` and `N m^2` with superscripts, nothing for a plain ratio."""
    if text in ("", "1"):
        return ""
    shown = ""
    for i, c in enumerate(text.replace("^", "")):
        before = text.replace("^", "")[i - 1] if i else " "
        raised = c.isdigit() and (before.isalpha() or before == "-")
        raised = raised or (c == "-" and before.isalpha())
        shown += c.translate(SUPERSCRIPT) if raised else c
    return shown.replace(" ", NARROW)


LARGE = 1e5
"""From this size on a value, its deviation and its interval share a power of ten."""


def readable(answer: Answer) -> tuple[Answer, str]:
    """The answer in the unit that it is read in, and that unit as printed: moments in ms."""
    factor, printed, value = 1.0, unit(answer.unit), answer.value
    if answer.unit == "s":
        factor, printed = 1e3, "ms"
    elif value is not None and math.isfinite(value) and abs(value) >= LARGE:
        power = math.floor(math.log10(abs(value)))
        factor = 10.0**-power
        printed = f"× 10{str(power).translate(SUPERSCRIPT)}{NARROW}{printed}".strip()

    def scaled(number: float | None) -> float | None:
        return None if number is None else factor * number

    shown = replace(
        answer, value=scaled(value), sd=scaled(answer.sd), low95=scaled(answer.low95),
        high95=scaled(answer.high95),
    )  # fmt: skip
    return shown, printed


def with_sd(answer: Answer) -> str:
    """`412.3 ± 1.8 m s⁻¹`, `(1.44 ± 0.05) × 10⁶ m s⁻²`; the reason where there is no value."""
    shown, printed = readable(answer)
    if shown.value is None:
        return answer.reason or "not determined"
    places = decimals(shown.sd, shown.value)
    text = fixed(shown.value, places)
    if shown.sd is not None and shown.sd > 0:
        text += f" ± {fixed(shown.sd, places)}"
        text = f"({text})" if printed.startswith("×") else text
    return f"{text}{NARROW}{printed}".strip()


def interval(answer: Answer) -> str:
    """The 95 % interval, `408.8 to 415.8`, in the unit of `readable`; a dash without one."""
    return interval_of(readable(answer)[0])


def interval_of(shown: Answer) -> str:
    """The same of an answer that is in the unit it is read in already."""
    if shown.value is None or shown.low95 is None or shown.high95 is None:
        return "–"
    places = decimals(shown.sd, shown.value)
    return f"{fixed(shown.low95, places)} to {fixed(shown.high95, places)}"


def skewed(answer: Answer) -> bool:
    """Whether the interval's two sides are so unlike that it says more than value and sd."""
    if answer.value is None or answer.low95 is None or answer.high95 is None:
        return False
    below, above = answer.value - answer.low95, answer.high95 - answer.value
    return min(below, above) > 0.0 and max(below, above) > 1.5 * min(below, above)


def headline(answer: Answer) -> tuple[str, str]:
    """What stands large and what beneath: value and sd, then interval; skewed ones turned round."""
    if not skewed(answer):
        return with_sd(answer), f"95 %: {interval(answer)}"
    _, printed = readable(answer)
    return f"{interval(answer)}{NARROW}{printed}".strip(), f"95 %; median {with_sd(answer)}"


def chance(share: float, draws: int) -> str:
    """A probability that `draws` draws give.

    None of them says under 3 / D, all say over 1 - 3 / D (`answers.chance`).
    """
    least = min(3.0 / max(draws, 1), 0.5)
    if share <= least * (1 + 1e-9):
        return f"< {math.ceil(100 * least)} %"
    if share >= 1.0 - least * (1 + 1e-9):
        return f"> {math.floor(100 * (1.0 - least))} %"
    return percent(share)


def percent(share: float) -> str:
    """A share as a percentage; never a rounded 0 or 100 for what is neither."""
    if not math.isfinite(share):
        return "–"
    if 0 < share < 0.001:
        return "under 0.1 %"
    if 0.999 < share < 1:
        return "over 99.9 %"
    return f"{100 * share:.3g} %"


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
    scaled, printed = readable(answer)
    value = scaled.value
    places = 0 if value is None else decimals(scaled.sd, value)
    probability = answer.probability
    shown = answer.reason or "not determined"
    if value is not None:
        is_chance = name.startswith("probability_")
        shown = chance(value, draws) if is_chance else fixed(value, places)
    return AnswerRow(
        name=name,
        meaning=meaning(name)[1],
        value=shown,
        sd="–" if value is None else fixed(scaled.sd, places),
        interval=interval(answer),
        unit=printed.removeprefix("× "),
        probability="" if probability is None else chance(probability, draws),
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
    for name, chances, overall in zip(
        names, lists["probability_before"].values, happened, strict=True
    ):
        cells = ["–" if np.isnan(p) else chance(float(p), draws) for p in chances]
        rows.append([name, *cells, chance(float(overall), draws)])
    return Grid(head, rows)


def withheld(found: Foretold) -> Grid:
    """How well sightings that were withheld are foretold, a row a marker or camera."""
    head = ["withheld", "sightings", "off, RMS", "stated sd", "inside 95 %", "CRPS", "log score",
            "expected", "unit"]  # fmt: skip
    rows = []
    for group in found.groups:
        of, unit, factor = group.scores, group.unit, 1.0
        if unit == "m":
            unit, factor = "mm", 1e3
        lengths = [fixed(factor * value, 2) for value in (of.rms, of.sd)]
        # A density per millimetre is a thousandth of that per metre.
        logs = [of.log_score, float(np.median(group.expected[:, 1]))]
        shown = [fixed(value - np.log(factor), 2) for value in logs]
        rows.append(
            [group.name, str(group.time.size), *lengths, percent(of.coverage),
             fixed(factor * of.crps, 2), *shown, unit]
        )  # fmt: skip
    return Grid(head, rows)
