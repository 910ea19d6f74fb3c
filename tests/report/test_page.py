"""The page: whole, offline, safe against names from files, and quick to draw."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import numpy as np
import pytest
import xarray as xr

from lashwave.quantities.answer import Answer
from lashwave.report import words
from lashwave.report.page import compose, render
from tests.report import invented

MADE = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
VOID = {"meta", "link", "br", "img", "hr", "input"}
HOSTILE = '<script>alert("$x_1$")</script>&amp;"\'\n--> $\\frac{$'


def page_of(*given) -> str:
    return render(compose(*given))


class Outline(HTMLParser):
    """Tags opened and left open, and everything that could fetch or run something."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.fetched: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        self._look(attrs)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        self._look(attrs)

    def _look(self, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in {"src", "href", "xlink:href"} and not (value or "").startswith(
                ("#", "data:")
            ):
                self.fetched.append(value or "")
            if name.startswith("on"):
                self.fetched.append(name)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def outline(page: str) -> Outline:
    parser = Outline()
    parser.feed(page)
    parser.close()
    return parser


@pytest.fixture(scope="module")
def page() -> str:
    trial = invented.trial()
    fit = invented.fit(trial)
    warnings = ["The clock came out 1.2 ms from where it was stated."]
    return page_of(
        trial,
        fit,
        invented.answers(fit),
        invented.lists(fit),
        warnings,
        {"draws": 120, "nodes": 53},
        MADE,
    )


def test_the_page_is_well_formed_and_fetches_nothing(page: str) -> None:
    found = outline(page)
    assert found.open == []
    assert found.fetched == []
    assert "script" not in found.seen
    assert "@import" not in page
    assert "url(http" not in page
    assert len(found.ids) == len(set(found.ids))


def test_the_page_says_everything_that_was_asked_of_it(page: str) -> None:
    for text in (
        "bench-07",
        "Peak speed of the tip",
        "What was measured",
        "The clock came out 1.2 ms from where it was stated.",
        "full_extension_time",
        "the record ends before it",
        "an_answer_of_tomorrow",
        "62 %",  # of eight draws: over 1 - 3/8
        "peak_grip_tension",
        "withheld marker coordinates",
        "200 Pa (140 dB, C-weighted)",
        "markers.csv",
        "1" * 64,
        "option nodes",
        "2026-05-04 12:00 UTC",
        "Cramer",
    ):
        assert text in page, text
    assert page.count("<figure") == page.count("<figcaption") == page.count("<svg") == 9


@pytest.mark.slow
def test_every_option_is_shown_with_its_unit() -> None:
    """As the options' own docstrings state it, in brackets."""
    from lashwave.estimate import Options
    from lashwave.report.page import _flat

    shown = {name.removeprefix("option "): value for name, value in _flat(Options())}
    assert shown["spacing_butt"] == "0.05 m" and shown["known"] == "none"
    assert shown["floor_density"].replace("\u202f", " ") == "0.03 m² s⁻³"
    plain = {"most_links", "rough_power", "draws", "degrees", "seed", "known"}
    assert set(words.OPTION_UNITS) == set(shown) - plain


def test_the_same_input_gives_the_same_page(page: str) -> None:
    trial = invented.trial()
    fit = invented.fit(trial)
    warnings = ["The clock came out 1.2 ms from where it was stated."]
    options = {"draws": 120, "nodes": 53}
    again = page_of(trial, fit, invented.answers(fit), invented.lists(fit), warnings, options, MADE)
    assert again == page


def test_hostile_names_stay_text() -> None:
    trial = invented.trial()
    labels = (HOSTILE, *trial.markers.labels[1:])
    camera = replace(trial.cameras[0], name=HOSTILE)
    trial = replace(
        trial,
        name=HOSTILE,
        specimen=HOSTILE,
        markers=replace(trial.markers, labels=labels),
        cameras=(camera,),
        hashes={HOSTILE: HOSTILE},
    )
    fit = invented.fit(trial, times=60, stations=12)
    answers = {f"clock_offset:{HOSTILE}": Answer(0.1, HOSTILE, 0.01, reason=HOSTILE)}
    page = page_of(trial, fit, answers, invented.lists(fit), [HOSTILE], {HOSTILE: HOSTILE}, MADE)
    found = outline(page)
    assert found.open == []
    assert found.fetched == []
    assert "script" not in found.seen
    assert "&lt;script&gt;" in page


def test_the_plainest_trial_has_a_page() -> None:
    trial, fit = invented.plainest()
    page = page_of(trial, fit, {}, xr.Dataset(), [], None, MADE)
    assert outline(page).open == []
    assert "no camera" in page
    assert "No sightings were withheld" in page
    assert 'id="warnings"' not in page


def test_a_line_at_rest_that_nobody_saw_has_a_page() -> None:
    trial, fit = invented.plainest()
    gone = np.full_like(trial.markers.position, np.nan)
    trial = replace(trial, markers=replace(trial.markers, position=gone))
    still = replace(
        fit,
        position=np.broadcast_to(fit.position[:1], fit.position.shape),
        velocity=np.zeros_like(fit.velocity),
        curvature=np.zeros_like(fit.curvature),
        residuals=replace(
            fit.residuals,
            marker=np.full_like(fit.residuals.marker, np.nan),
            marker_weight=np.full_like(fit.residuals.marker_weight, np.nan),
            whiteness=float("nan"),
        ),
    )
    assert outline(page_of(trial, still, {}, xr.Dataset(), [], None, MADE)).open == []


@pytest.mark.slow
def test_a_full_sized_page_is_small_and_quick() -> None:
    """1000 times, 300 stations: at most 6 MB and 6 s of CPU, once matplotlib is loaded."""
    trial = invented.trial()
    fit = invented.fit(trial, times=1000, stations=300, draws=4)
    answers, lists = invented.answers(fit), invented.lists(fit)
    page_of(trial, fit, answers, lists, [], None, MADE)
    before = time.process_time()
    page = page_of(trial, fit, answers, lists, [], None, MADE)
    assert time.process_time() - before < 6.0
    assert len(page) < 6e6
