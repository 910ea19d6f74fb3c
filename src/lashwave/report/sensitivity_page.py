"""The page of `lashwave sensitivity`: shares of variance and slopes, drawn and in numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lashwave.report import study_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

METHOD = (
    "Alone: the share of an output's variance that goes away if this input were known (Sobol' "
    "index of first order). With all others: the share that stays if all other inputs were known "
    "(total index). By the points and estimators of Saltelli et al., Comput. Phys. Commun. 181 "
    "(2010) 259; 95 % intervals by bootstrap. Four times the throws halve them.",
    "An estimate may come out a little under 0 or over 1. An input of which the shares differ much "
    "acts together with others.",
    "Slopes are derivatives at the middle of all ranges. Over half a range: how much the output "
    "moves where the input goes from the middle to the end of its range.",
    "The throws are those of the family in docs/law.md, by the forward engine; they begin where "
    "the hand has stopped.",
)


@dataclass(frozen=True)
class Shares:
    """An output's shares by input, the largest total first."""

    output: str
    unit: str
    meaning: str
    rows: Sequence[tuple[str, float, float, float, float]]
    """Input, share alone and its half width, share with all others and its half width."""


@dataclass(frozen=True)
class Slope:
    """How an output follows an input at the middle of all ranges."""

    output: str
    input: str
    slope: float
    unit: str
    """Of the slope."""
    half: float
    """Change over half the input's range, in the output's unit."""


def said(outputs: Sequence[Shares]) -> list[str]:
    """A sentence an output: what moves it most."""
    lines = []
    for one in outputs:
        name, _, _, total, half = one.rows[0]
        lines.append(
            f"{one.output}, {one.meaning}: {name} moves it most, {total:.0%} of its variance "
            f"(± {half:.0%}) with what it does together with others."
        )
    return lines


def page(
    outputs: Sequence[Shares],
    slopes: Sequence[Slope],
    ranges: Sequence[Sequence[Any]],
    figure: Figure,
    *,
    throws: int,
    cautions: Sequence[str] = (),
) -> str:
    """HTML of a sensitivity study.

    ranges : of each input that varies name, unit, low, high and meaning, SI.
    """
    units: Mapping[str, str] = {one.output: one.unit for one in outputs}
    shares = [
        [one.output if not k else "", name, f"{a:.3f} ± {b:.3f}", f"{c:.3f} ± {d:.3f}"]
        for one in outputs
        for k, (name, a, b, c, d) in enumerate(one.rows)
    ]
    chapters = [
        study_page.Section(
            "What moves what", said(outputs), figure,
            "Share of each output's variance with 95 % intervals. Full: of the input alone; open: "
            "with what it does together with others. The six that move it most.",
        ),
        study_page.Section("Shares in numbers", (), headings=[
            "output", "input", "alone", "with all others"], rows=shares),
        study_page.Section(
            "Slopes in the middle", (), headings=["output", "input", "slope", "unit",
                                                  "over half a range", "unit"],
            rows=[[s.output, s.input, f"{s.slope:.4g}", s.unit, f"{s.half:.3g}", units[s.output]]
                  for s in slopes],
        ),
        study_page.Section(
            "Ranges", (), headings=["input", "unit", "from", "to", "meaning"], words=True,
            rows=[[n, u, f"{low:.4g}", f"{high:.4g}", m] for n, u, low, high, m in ranges],
        ),
        study_page.Section("Method", METHOD),
    ]  # fmt: skip
    return study_page.render(
        "Which input matters", f"Sensitivity of {len(outputs)} outputs",
        f"{throws} throws, {len(ranges)} inputs varied", chapters, cautions,
    )  # fmt: skip
