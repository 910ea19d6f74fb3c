"""One page that holds the whole report and opens with no network."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, is_dataclass
from datetime import UTC, datetime
from itertools import count
from typing import TYPE_CHECKING, Any

from lashwave import __version__
from lashwave.quantities import Answer, Fit, Trial
from lashwave.report import (
    export,
    figure_data,
    figures_account,
    figures_fit,
    figures_maps,
    figures_seen,
    figures_tip,
    numbers,
    template,
    words,
)
from lashwave.report.report_scene import ReportScene, gather

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Picture:
    """A figure as it stands in the page."""

    number: int
    svg: Any
    """Markup that needs no escaping."""
    caption: str
    pdf: bytes
    table: str
    """CSV of what was drawn."""


@dataclass(frozen=True)
class Chapter:
    """A section of the page: sentences, then figures."""

    name: str
    title: str
    text: list[str]
    figures: list[Picture]
    table: numbers.Grid | None = None


Draw = Callable[["Figure | None", str], list[Picture]]


def _pictures() -> Draw:
    """A function that turns a figure into a numbered picture, and no figure into none."""
    from markupsafe import Markup

    numbers = count(1)

    def draw(figure: Figure | None, caption: str) -> list[Picture]:
        if figure is None:
            return []
        number = next(numbers)
        svg = Markup(export.svg_in_page(figure, f"f{number}"))
        return [
            Picture(
                number, svg, caption, export.figure_file(figure, "pdf"), figure_data.table(figure)
            )
        ]

    return draw


def _measured(scene: ReportScene, draw: Draw) -> Chapter:
    caption = (
        "What was measured and when. Bars: a marker was seen; grey: it was not; crosses: a sample "
        "the fit distrusts; short strokes: camera points, on the lab clock. Dotted: peak of the "
        "tip speed. Rows below 0 m are markers on the grip."
    )
    pictures = draw(figures_seen.coverage(scene), caption)
    return Chapter("measured", "What was measured", [words.measured(scene)], pictures)


def _motion(scene: ReportScene, draw: Draw) -> Chapter:
    found = draw(
        figures_maps.shapes(scene, scene.record),
        "Shapes of the line, more of them where it is fast, seen along the axes of the lab. "
        "Dots: the butt.",
    )
    if scene.has_close_up:
        caption = "The same close to the peak of the tip speed."
        found += draw(figures_maps.shapes(scene, scene.window), caption)
    extra = ""
    if "bend_station" in scene.curves:
        extra += " White line: the bend that runs along the line."
    if scene.sound is not None and float(scene.speed.max()) > scene.sound:
        extra += " Red contour: the speed of sound."
    found += draw(
        figures_maps.maps(scene),
        "Speed and curvature over time and station. White: runs of marker samples; orange: camera "
        "points. A pixel shows the largest value within it." + extra,
    )
    return Chapter("motion", "The motion", [], found)


def _tip(scene: ReportScene, answers: dict[str, Answer], draw: Draw) -> Chapter:
    found = draw(
        figures_tip.tip_speed(scene, answers),
        "Speed of the tip with its pointwise 95 % band. Strokes along the foot: frames in which a "
        "camera had a point of the line.",
    )
    found += draw(
        figures_tip.hand(scene),
        "The hand and the line over time, with 95 % bands where draws give them. Dotted: peak of "
        "the tip speed.",
    )
    return Chapter("tip", "Tip and hand", words.laws(answers), found)


def _account(scene: ReportScene, lists: xr.Dataset, draw: Draw) -> list[Chapter]:
    found = draw(
        figures_account.account(lists, scene.peak_time),
        "Where the hand's work went, medians of the draws, in joules since the first sample: "
        "energy stored, energy lost, and what stays unexplained, stacked; what is negative is "
        "stacked downward. Black: work of the hand, with its 95 % band. Right: the air's part by "
        "station. Dotted: peak of the tip speed.",
    )
    found += draw(
        figures_account.fluxes(scene, lists),
        "What passes each station toward the tip, over time: energy a second (above, both signs "
        "on a scale that is linear near zero) and momentum a second, which is the force on all "
        "that lies beyond (below, its size).",
    )
    return [Chapter("account", "Momentum and energy", [words.ACCOUNT], found)] if found else []


def _order(lists: xr.Dataset) -> list[Chapter]:
    grid = numbers.order(lists)
    if grid is None:
        return []
    return [Chapter("order", "Order of events", [words.order(lists)], [], grid)]


def _checks(scene: ReportScene, draw: Draw) -> Chapter:
    found = draw(
        figures_fit.residuals(scene),
        "Sightings minus motion in their standard deviations; beyond ±6 drawn at the edge. Right: "
        "their distribution beside the normal law.",
    )
    found += draw(
        figures_fit.whiteness(scene),
        "Left: autocorrelation of the trusted marker residuals, with the band that white ones "
        "would keep to. Right: their size by marker.",
    )
    if scene.fit.withheld is not None and scene.fit.withheld.label.size:
        found += draw(
            figures_fit.withheld(scene.fit.withheld),
            "Runs of trusted samples of one marker, left out one run at a time and predicted from "
            "everything else (linearised at the fit): root mean square of prediction minus "
            "sample, one coordinate, and the share inside its 95 % interval (bars: exact 95 % "
            "binomial bounds of that share, were all coordinates independent).",
        )
    return Chapter("checks", "How well it fits", words.trust(scene), found)


def _withheld(scene: ReportScene, draw: Draw) -> list[Chapter]:
    found = scene.fit.foretold
    if found is None:
        return []
    pictures: list[Picture] = []
    if found.groups:
        pictures = draw(
            figures_fit.foretold(found),
            "Left: foretold minus seen in the forecast's own standard deviations; beyond ±6 drawn "
            "at the edge. Right: where in its forecast each coordinate fell, as a share of the "
            "forecast's probability; a forecast that fits fills all tenths alike, one too narrow "
            "the outer ones.",
        )
    grid = numbers.withheld(found) if found.groups else None
    return [Chapter("withheld", "What was withheld", words.withheld(found), pictures, grid)]


def _flat(options: Any) -> list[tuple[str, str]]:
    """Options as name and value, whatever they came in."""
    if options is None:
        return []
    if is_dataclass(options) and not isinstance(options, type):
        options = asdict(options)
    if isinstance(options, Mapping):
        return [(f"option {name}", _set(name, value)) for name, value in sorted(options.items())]
    return [("options", str(options))]


def _set(name: str, value: Any) -> str:
    """What an option was set to, with its unit."""
    if isinstance(value, (tuple, list)):
        return "; ".join(str(one) for one in value) or "none"
    return f"{value} {numbers.unit(words.OPTION_UNITS.get(name, ''))}".strip()


def _provenance(trial: Trial, fit: Fit, options: Any, made: datetime) -> list[tuple[str, str]]:
    import numpy
    import scipy

    rows = [
        ("program", f"lashwave {__version__}"),
        (
            "with",
            f"Python {platform.python_version()}, numpy {numpy.__version__}, "
            f"scipy {scipy.__version__}",
        ),
        ("page made", made.strftime("%Y-%m-%d %H:%M UTC")),
        ("grid", f"{fit.time.size} times, {fit.station.size} stations"),
        ("draws of the posterior", str(fit.draws.position.shape[0])),
    ]
    if fit.history:
        last = ", ".join(f"{name} {value:.4g}" for name, value in fit.history[-1].items())
        rows.append(("iterations", f"{len(fit.history)}; the last: {last}"))
    return rows + _flat(options)


def _facts(trial: Trial, without: str | None) -> str:
    air = trial.air
    known = [
        f"reconstructed without {without}" if without else None,
        trial.date,
        f"specimen {trial.specimen}" if trial.specimen else None,
        f"thrown by {trial.thrower}" if trial.thrower else None,
        f"line {trial.line.length:.4g} m",
        f"air {air.temperature - 273.15:.1f} °C, {air.pressure / 1e3:.1f} kPa, "
        f"{100 * air.relative_humidity:.0f} % relative humidity",
    ]
    return " · ".join(str(part) for part in known if part)


@dataclass(frozen=True)
class Content:
    """All that page and paper say."""

    trial: Trial
    facts: str
    cards: list[words.Card]
    warnings: tuple[str, ...]
    chapters: list[Chapter]
    groups: list[tuple[str, list[numbers.AnswerRow]]]
    provenance: list[tuple[str, str]]
    hashes: list[tuple[str, str]]

    @property
    def figures(self) -> list[Picture]:
        """Every figure, in order."""
        return [figure for chapter in self.chapters for figure in chapter.figures]


def compose(
    trial: Trial,
    fit: Fit,
    answers: dict[str, Answer],
    lists: xr.Dataset,
    warnings: list[str] | tuple[str, ...] = (),
    options: Any = None,
    made: datetime | None = None,
) -> Content:
    """Draw every figure and put every word in its place.

    Parameters
    ----------
    answers : by the names of `summary.json`.
    lists : as in `answers.nc`; every variable is optional.
    warnings : what the reader must know, each a sentence.
    options : of the fit, a mapping or a dataclass; shown as provenance.
    made : moment to print as the page's own; now where None.
    """
    scene = gather(trial, fit, answers, lists)
    draw = _pictures()
    chapters = [
        *_withheld(scene, draw),
        _measured(scene, draw),
        _motion(scene, draw),
        _tip(scene, answers, draw),
        *_account(scene, lists, draw),
        *_order(lists),
        _checks(scene, draw),
    ]
    return Content(
        trial=trial,
        facts=_facts(trial, fit.foretold.words if fit.foretold else None),
        cards=words.cards(answers, fit.draws.position.shape[0]),
        warnings=tuple(warnings),
        chapters=chapters,
        groups=numbers.groups(answers, fit.draws.position.shape[0]),
        provenance=_provenance(trial, fit, options, made or datetime.now(UTC)),
        hashes=sorted(trial.hashes.items()),
    )


def render(content: Content) -> str:
    """The report as one HTML page: styles and figures inside, no script, no request."""
    sections = [(chapter.name, chapter.title) for chapter in content.chapters]
    if content.warnings:
        sections.insert(0, ("warnings", "Warnings"))
    sections += [
        ("answers", "All answers"),
        ("methods", "Methods"),
        ("cautions", "Cautions"),
        ("provenance", "Provenance"),
    ]
    return template.render(
        "page.html",
        kind="Reconstruction of one trial",
        title=content.trial.name,
        facts=content.facts,
        sections=sections,
        cards=content.cards,
        warnings=content.warnings,
        chapters=content.chapters,
        groups=content.groups,
        methods=words.METHODS,
        sources=words.SOURCES,
        cautions=words.CAUTIONS,
        provenance=content.provenance,
        hashes=content.hashes,
    )
