"""The page of `lashwave plan`, and what is printed of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from lashwave.report import study_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

METHOD = (
    "The expected throw is seen as the set-up would see it. The equations of the fit are formed at "
    "that motion and factored once; their posterior gives each standard deviation, from 120 draws, "
    "by which it scatters by 6 %. Left out: that a search may end in a wrong minimum, and that a "
    "throw is not the expected one.",
    "A throw's spread is that of the set-up and that of throws among each other, added as squares. "
    "The smallest difference is found by Student's two-sided two-sample test at 5 % with a chance "
    "of 80 % (Cohen, Statistical Power Analysis, 1988), half of the throws for each line.",
)


def foretold(record: Mapping[str, Any]) -> tuple[list[str], list[list[str]]]:
    """Headings and rows: an answer a row, a set-up a column."""
    plans = record["foretold"]
    names = list(dict.fromkeys(name for said in plans.values() for name in said))
    rows = []
    for name in names:
        unit = next(said[name]["unit"] for said in plans.values() if name in said)
        cells = [f"{said[name]['sd']:.3g}" if name in said else "–" for said in plans.values()]
        rows.append([f"{name} [{unit}]", *cells])
    return ["answer", *plans], rows


def offers(record: Mapping[str, Any]) -> tuple[list[str], list[list[str]]]:
    """Headings and rows: a set-up a row, the best first."""
    unit = record["unit"]
    headings = ["set-up", "price", "throws", f"sd of the set-up [{unit}]", f"of a throw [{unit}]",
                f"of the mean [{unit}]", f"smallest difference [{unit}]"]  # fmt: skip
    rows = []
    for one in record["offers"]:
        effect = one["effect"]
        rows.append([
            one["name"], f"{one['price']:g}", str(one["throws"]), f"{one['sd']:.3g}",
            f"{one['spread']:.3g}", f"{one['mean_sd']:.3g}",
            "–" if effect is None else f"{effect:.3g}",
        ])  # fmt: skip
    return headings, rows


def said(record: Mapping[str, Any]) -> list[str]:
    """Sentences on what was found."""
    best, unit = record["offers"][0], record["unit"]
    share = (best["sd"] / best["spread"]) ** 2 if best["spread"] else 0.0
    lines = [
        f"Best for {record['question']}: {best['name']}, {best['throws']} throws. The set-up makes "
        f"{share:.0%} of a throw's variance; "
        + ("better instruments would help." if share > 0.5 else "more throws help more than better "
           "instruments."),
        "Smallest difference between two lines, by throws of each: "
        + ", ".join(f"{n}: {d:.3g} {unit}" for n, d in record["differences"].items()) + ".",
        "Throws of each line that show a difference of "
        + ", ".join(f"{share}: {n or 'over a million'}"
                    for share, n in record["throws_needed"].items()) + ".",
    ]  # fmt: skip
    coming = record["next"]
    if coming is not None:
        lines.append(
            f"Throw {coming['line']} next: the difference is known to {coming['now']:.3g} {unit} "
            f"now and to {coming['after'][coming['line']]:.3g} then; the set-up makes "
            f"{coming['by_instruments']:.0%} of a throw's variance."
        )
    checked = record.get("checked")
    if checked and checked["records"]:
        scatter = checked["scatter"]
        lines.append(
            f"{checked['records']} simulated records of {checked['set_up']}, reconstructed, state "
            f"{checked['stated_sd']:.3g} {unit}"
            + ("." if scatter is None else f" and scatter by {scatter:.3g}.")
        )
    return lines


def page(record: Mapping[str, Any], resolved: Figure, powers: Figure) -> str:
    """HTML of plan.json's content and its figures."""
    headings, rows = foretold(record)
    bought, offered = offers(record)
    chapters = [
        study_page.Section("The best set-up", said(record), headings=bought, rows=offered),
        study_page.Section("What each would resolve", (), resolved,
                           "Foretold standard deviations over those of the first set-up; left is "
                           "better.", headings, rows),
        study_page.Section("How many throws", (), powers,
                           "Smallest difference between two lines that the best set-up would show, "
                           "with a chance of 80 %."),
        study_page.Section("Method", METHOD),
    ]  # fmt: skip
    return study_page.render(
        "A set-up to be built", f"Plan: {record['question']}",
        f"{len(record['foretold'])} set-ups", chapters,
    )  # fmt: skip
