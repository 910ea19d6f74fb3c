"""The page of `lashwave parameters`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from lashwave.quantities import Answer, Array
from lashwave.report import figures_study, numbers, study_page

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Profiled(Protocol):
    """Rises of -2 log likelihood along a logarithmic scale."""

    @property
    def scale(self) -> Array:
        """Scale (K,) over what was stated, no unit."""

    @property
    def data(self) -> Array:
        """Rise (K,) by the sightings alone, no unit."""

    @property
    def posterior(self) -> Array:
        """Rise (K,) with what was known before, no unit."""


class Estimated(Protocol):
    """Scales as `study` hands them over, logarithmic."""

    @property
    def low95(self) -> Array:
        """Lower ends (P,) of the 95 % intervals, logarithms of scales, no unit."""

    @property
    def high95(self) -> Array:
        """Upper ends (P,) of the 95 % intervals, logarithms of scales, no unit."""

    @property
    def profiles(self) -> Sequence[Profiled]:
        """One profile for each scale."""


METHOD = (
    "Each scale is what the sightings fit over what was stated. A trial's likelihood is the least "
    "misfit over all motions of the line, charged for the noise that the motion takes up, with "
    "clocks, image offsets and marker places free; it was computed along each scale, and the "
    "scales' information matrix joins them. Trials multiply; what was known before counts once, "
    "static bending tests included. The added uncertainty is of what links and time grid leave "
    "out, found from simulated trials: a part that no number of trials reduces, and, of stiffness "
    "and damping, a part that grows with their own deviation by the sightings.",
    "Intervals are where the profile of the posterior has risen by 3.84 (Wilks, Annals of "
    "Mathematical Statistics 9 (1938) 60), and no narrower than 1.96 standard deviations either "
    "way.",
)


def curves(
    names: Sequence[str], titles: Mapping[str, str], estimate: Estimated
) -> list[figures_study.Curve]:
    """Profiles as they are drawn, scales as ratios."""
    return [
        figures_study.Curve(
            titles[name], np.exp(profile.scale), profile.data, profile.posterior,
            float(np.exp(low)), float(np.exp(high)),
        )
        for name, profile, low, high in zip(
            names, estimate.profiles, estimate.low95, estimate.high95, strict=True
        )
    ]  # fmt: skip


def page(record: Mapping[str, Any], titles: Mapping[str, str], figure: Figure) -> str:
    """HTML of parameters.json's content and its profiles."""
    quantities = record["quantities"]
    names = list(quantities)
    values = []
    for name, q in quantities.items():
        answer = Answer(q["value"], "1", q["sd"], q["low95"], q["high95"])
        alone = q["log_sd_by_sightings_alone"]
        values.append([
            f"{name}, {titles[name]}", numbers.with_sd(answer), numbers.interval(answer),
            "not held" if alone is None else f"{alone:.2g}", f"{q['log_sd_before']:.2g}",
            f"{q['log_sd_doubt']:.2g}",
        ])  # fmt: skip
    information = record["information"]
    condition = information["condition"]
    rank = (
        f"The information matrix of the logarithmic scales, prior left out, has rank "
        f"{information['rank']} of {len(names)} and "
        + ("no finite condition number" if condition is None else f"condition {condition:.2g}")
        + f"; in {information['directions_told']} of {len(names)} directions the sightings say "
        "more than was known before."
    )
    directions = [
        [d["words"], "far wider" if d["sd_over_prior"] is None else f"{d['sd_over_prior']:.2g}"]
        for d in information["directions"]
    ]
    chapters = [
        study_page.Section(
            "Scales of the law",
            ["Fitted over stated; the last columns are standard deviations of the logarithm."],
            headings=["scale", "value", "95 % interval", "sightings alone", "before", "added"],
            rows=values,
        ),
        study_page.Section("What the sightings determine", [*record["statements"], rank],
                           headings=["direction, best known first", "sd over the prior's"],
                           rows=directions),
        study_page.Section("Profile likelihoods", (), figure,
                           "Rise of minus two log likelihood along each scale, all others at their "
                           "best. Shaded: 95 % interval."),
        *_correlations(record, names),
        study_page.Section("Method", METHOD),
    ]  # fmt: skip
    if len(record["trials"]) > 1:
        chapters.insert(2, _each(record, names))
    count = len(record["trials"])
    return study_page.render(
        "Parameters of one line", f"Law of the line from {count} trial{'s' if count > 1 else ''}",
        ", ".join(record["trials"]), chapters,
    )  # fmt: skip


def _each(record: Mapping[str, Any], names: Sequence[str]) -> study_page.Section:
    rows = [
        [trial, *("–" if x is None else numbers.fixed(x, 3) for x in shift)]
        for trial, shift in zip(record["trials"], record["shifts"], strict=True)
    ]
    return study_page.Section(
        "Each trial by itself",
        ["Logarithm of the scale that the trial alone would give, less the common one; a dash "
         "where the trial alone says less than was known before."],
        headings=["trial", *names], rows=rows,
    )  # fmt: skip


def _correlations(record: Mapping[str, Any], names: Sequence[str]) -> list[study_page.Section]:
    return [
        study_page.Section(
            f"Correlations of the logarithms, {what}",
            headings=["", *names],
            rows=[
                [name, *("–" if x is None else numbers.fixed(round(x, 2) + 0.0, 2) for x in row)]
                for name, row in zip(names, record[key], strict=True)
            ],
        )
        for what, key in (
            ("sightings alone", "correlation_by_sightings_alone"),
            ("all that is known", "correlation"),
        )
    ]
