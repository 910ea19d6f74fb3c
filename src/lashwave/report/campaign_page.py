"""The page of `lashwave campaign`: which throws to look at, and the spread of their answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from lashwave.answers import register
from lashwave.report import compare_page, figures_study, numbers, study_page

METHOD = (
    "Concern: the largest of several signs of trouble, each over the limit from which it counts. "
    "1 is the line between a throw to look at and one to leave. The signs: sightings that the fit "
    "distrusts (5 %), residuals larger or smaller than their standard deviations (by half), "
    "residuals that follow each other (correlation 0.3), left-out samples outside their 95 % "
    "intervals (20 % short), a peak tip speed known to 5 % only, an answer 3 robust standard "
    "deviations from the other throws of its specimen, and every warning.",
    "A throw that failed is listed first, with the reason. lashwave campaign --again tries it once "
    "more.",
)


def page(
    record: Mapping[str, Any],
    spread: Mapping[str, Any] | None,
    shared: Mapping[str, Any] | None = None,
) -> str:
    """HTML of campaign.json's content and, where there are any, of the other two files'.

    spread : of comparison.json. shared : of shared.json.
    """
    ranked = record["ranked"]
    left = record["throws"] - record["done"] - record["failed"]
    facts = f"{record['done']} done, {record['failed']} failed, {left} waiting"
    place = {} if spread is None else {t["trial"]: i for i, t in enumerate(spread["trials"], 1)}
    rows = [
        [
            one["trial"], str(place.get(one["trial"], "–")), one["specimen"] or "–",
            one["thrower"] or "–", one["state"],
            numbers.fixed(one["concern"], 2), one["because"] or "–",
        ]
        for one in ranked
    ]  # fmt: skip
    look = sum(one["state"] == "failed" or (one["concern"] or 0.0) >= 1.0 for one in ranked)
    chapters = [
        study_page.Section(
            "Throws, the most doubtful first",
            [f"{look} of {len(ranked)} ask for a look. A name leads to the throw's own page."],
            headings=["trial", "number", "specimen", "thrower", "state", "concern", "because"],
            rows=rows, words=True, links=[link_of(one["answers"]) for one in ranked],
        ),
        *(_spread(spread) if spread is not None else ()),
        *(_shared(shared) if shared else ()),
        study_page.Section("Method", [*METHOD, *(compare_page.METHOD if spread else ())]),
    ]  # fmt: skip
    notes = [] if spread is None else spread["notes"]
    return study_page.render(
        "Campaign", f"{record['throws']} throws", facts, chapters, notes
    )  # fmt: skip


def link_of(answers: str | None) -> str | None:
    """The address of a throw's page, from the campaign's own."""
    return None if answers is None else quote(f"{answers}/report.html")


def _spread(spread: Mapping[str, Any]) -> list[study_page.Section]:
    quantities = spread["quantities"]
    names = register.order(list(quantities))
    wanted = [entry.name for entry in register.entries() if entry.headline]
    figure = figures_study.strips(
        compare_page.strips(spread, wanted), [t["trial"] for t in spread["trials"]]
    )
    return [
        study_page.Section("Side by side", (), figure,
                           "Answers of the throws with 95 % intervals, a colour a specimen; "
                           "dashed: the mean. Crosses along the foot: no answer."),
        study_page.Section("Spread", headings=compare_page.HEADINGS,
                           rows=[compare_page.cells(n, quantities[n]) for n in names]),
    ]  # fmt: skip


SHARED = (
    "Fitted over stated, scales of the law as logarithms, stations in metres. Throws of one line "
    "have these in common: the estimate puts all single fits together, with spreads between "
    "specimens, throwers and throws that are estimated too. shared-answers.csv has the answers of "
    "each throw as all throws give them. Each fit's own deviation is taken at its word: of 200 "
    "simulated throws, such 95 % intervals held the truth in 76 to 80 %, on the grip in 30 %."
)


def _shared(record: Mapping[str, Any]) -> list[study_page.Section]:
    """What the throws share, and whether that helps to predict one that was left out."""
    said = {"one_other_throw": "another throw of its line", "all_other_throws": "all other throws"}
    alike = record["errors_alike"]
    text = [
        SHARED,
        f"The errors of two fits of one line have a correlation of {alike['mean']:.2f} "
        f"(95 %: {alike['low95']:.2f} to {alike['high95']:.2f}), learnt from how little the fits "
        "scatter for what they say of their own errors. Further throws do not wear that part down.",
    ] + [
        f"A throw that was left out is predicted by {said[name]} with a log score of "
        f"{one['gain']:+.2f} ± {one['standard_error']:.2f} over what was stated "
        f"({one['throws']} throws)."
        for name, one in record["held_out"].items()
    ]
    rows = [
        [
            name, str(one["throws_that_tell"]), numbers.fixed(one["stated"]["sd"], 4),
            *(numbers.fixed(one["between"][n], 4) for n in ("specimen", "thrower", "throw")),
            specimen or "–", numbers.fixed(of["mean"], 4), numbers.fixed(of["sd"], 4),
        ]
        for name, one in record["parameters"].items()
        if one["throws_that_tell"]
        for specimen, of in one["specimens"].items()
    ]  # fmt: skip
    headings = ["parameter", "throws that tell", "sd stated", "between specimens", "throwers",
                "throws", "specimen", "value", "sd"]  # fmt: skip
    return [study_page.Section("What the throws share", text, headings=headings, rows=rows)]
