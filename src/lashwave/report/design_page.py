"""The page of `lashwave design`, and what is printed with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from lashwave.report import study_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTIONS = (
    "caution: a faster tip hurts more. It can blind and cut; nobody within twice the line's "
    "length, a face shield over rated eyewear.",
    "caution: a tip beyond the speed of sound cracks; its peak pressure near an ear may pass "
    "legal limits. Wear hearing protection.",
    "caution: this is no safety assessment; local codes and whoever answers for your laboratory "
    "come first. See docs/cautions.md.",
    "caution: the throw begins where the hand has ended its stroke, its line flying straight; what "
    "a hand spoils before that, and a line that breaks, are no part of it.",
)
METHOD = (
    "Sought by CMA-ES on the forward engine of docs/law.md. Each throw is judged: its account of "
    "energy must close, the fold must reach the tip and be no sharper than its links. Limits of "
    "mass and energy are kept by making the line lighter, that of the grip force by a cost.",
    "The interval is that of 64 throws of the same line and gesture, with cord and air drawn "
    "evenly from what is known of them. The cone has the same length, mass and tip, and meets the "
    "same cords and airs.",
)
_UNITS = {"m": ("mm", 1e3), "s": ("ms", 1e3), "kg": ("g", 1e3)}
_LONG = ("length", "amplitude", "crack_ahead", "crack_up")


def _cells(name: str, unit: str, *values: float) -> list[str]:
    shown, scale = (unit, 1.0) if name in _LONG else _UNITS.get(unit, (unit, 1.0))
    return [f"{name} [{shown}]", *(f"{scale * value:.4g}" for value in values)]


def table(record: Mapping[str, Any]) -> tuple[list[str], list[list[str]]]:
    """Headings and rows: what comes of it with its interval, then what it is."""
    rows = []
    for name, said in record["outputs"].items():
        rows.append(_cells(name, said["unit"], said["value"], said["low95"], said["high95"]))
    for name in ("butt_diameter", "tip_diameter"):
        rows.append([*_cells(name, "m", record[name]), "", ""])
    for name, said in record["inputs"].items():
        rows.append([*_cells(name, said["unit"], said["value"]), "", ""])
    return ["quantity", "value", "95 % from", "to"], rows


def said(record: Mapping[str, Any]) -> list[str]:
    """Sentences on what was found."""
    speed = record["outputs"]["peak_speed"]
    mach = speed["value"] / record["sound_speed"]
    lines = [
        f"The tip reaches {speed['value']:.0f} m/s (Mach {mach:.2f}); by what is not known of cord "
        f"and air, {speed['low95']:.0f} to {speed['high95']:.0f} m/s."
    ]
    if record["wanted"] is not None:
        lines.append(f"A speed of {record['wanted']:.0f} m/s was wanted.")
    cone = record.get("cone")
    if cone is not None:
        lines.append(
            f"A cone of the same mass and tip: {cone['peak_speed']:.0f} m/s; the design is faster "
            f"in {cone['chance_faster']:.0%} of the cords and airs."
        )
    for name, chance in record["beyond"].items():
        lines.append(f"Chance that the limit of {name} is passed: {chance:.0%}.")
    if record["not_trusted"]:
        lines.append(
            f"caution: {record['not_trusted']} of {record['drawn']} throws of the interval cannot "
            "be trusted and are left out"
        )
    law = record["law"]
    if law is not None:
        lines.append(
            f"The law says {law['peak_speed']:.0f} m/s ({law['low95']:.0f} to {law['high95']:.0f}) "
            "for the nearest taper of its family."
        )
        if law["outside"]:
            lines.append(f"caution: outside the law's range: {law['outside']}")
    return lines


def page(record: Mapping[str, Any], line: Figure, search: Figure, spreads: Figure | None) -> str:
    """HTML of design.json's content and its figures."""
    headings, rows = table(record)
    thick = ", ".join(f"{1e3 * d:g}" for d in record["sections"])
    sections = f" Sections of {thick} mm." if thick else ""
    chapters = [
        study_page.Section("The line", said(record), line,
                           "The outline, radius drawn far too large; dashed: a cone of the same "
                           f"length, mass and tip.{sections}"),
        study_page.Section("In numbers", headings=headings, rows=rows),
        study_page.Section("The search", (), search,
                           "Each point is a throw; the line is the best so far."),
    ]  # fmt: skip
    if spreads is not None:
        chapters.append(study_page.Section(
            "What is not known", (), spreads,
            "The same line, and the cone, with cords and airs drawn from what is known of them.",
        ))  # fmt: skip
    chapters.append(study_page.Section("Method", METHOD))
    goal = "fastest tip" if record["wanted"] is None else f"{record['wanted']:g} m/s"
    return study_page.render(
        "A line to be made", f"Design: {goal}", f"{record['throws']} throws of the search",
        chapters, CAUTIONS,
    )  # fmt: skip
