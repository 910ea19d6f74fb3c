"""The paper: one PDF with everything inside, whatever names the user's files bring."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

import numpy as np
import pytest
import typst
from PIL import Image
from pypdf import PdfReader

from lashwave.report import figure_data, paper, style
from lashwave.report.page import compose
from tests.report import invented

MADE = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
HOSTILE = "#panic() $x^$ @nowhere *b _c `d \\ ] } // <tag>"


@pytest.fixture(scope="module")
def content():
    trial = invented.trial()
    fit = invented.fit(trial, times=80, stations=20)
    answers = invented.answers(fit) | {HOSTILE: next(iter(invented.answers(fit).values()))}
    return compose(trial, fit, answers, invented.lists(fit), [HOSTILE], {HOSTILE: HOSTILE}, MADE)


@pytest.fixture(scope="module")
def pdf(content) -> PdfReader:
    return PdfReader(io.BytesIO(paper.render(content)))


def test_every_answer_figure_and_equation_is_in_it(content, pdf: PdfReader) -> None:
    text = "\n".join(page.extract_text() for page in pdf.pages).replace("\xa0", " ")
    text = text.replace("\u200b", "").replace("_\n", "_")  # long names break there
    for _, rows in content.groups:
        for row in rows:
            assert row.name.split(":")[0][:12] in text
    for figure in content.figures:
        assert f"Figure {figure.number}" in text
    for number in range(1, 7):
        assert f"({number})" in text


def test_names_from_files_are_text_and_no_markup(pdf: PdfReader) -> None:
    text = "\n".join(page.extract_text() for page in pdf.pages)
    assert "#panic()" in text and "@nowhere" in text


def test_the_title_stands_above_all_figures(pdf: PdfReader) -> None:
    # what floats at the top of a page is written from the top down, before the rest of it
    assert pdf.pages[0].extract_text().lstrip().startswith("Motion of the line in trial")


def test_no_page_has_a_large_blank(content, monkeypatch) -> None:
    drawn: list[bytes] = []

    def draw(source: str, **how: object) -> bytes:
        drawn.extend(compiled(source, format="png", ppi=18.0, **how))
        return b""

    compiled = typst.compile
    monkeypatch.setattr(typst, "compile", draw)
    paper.render(content)
    assert len(drawn) > 4
    for body in drawn[:-1]:
        page = np.asarray(Image.open(io.BytesIO(body)).convert("L"))
        inked = np.flatnonzero((page < 160).any(axis=1))
        assert np.diff(inked).max() < 0.2 * page.shape[0]


def test_every_font_is_embedded(pdf: PdfReader) -> None:
    # ISO 32000-1, 9.9: an embedded font program is FontFile, FontFile2 or FontFile3
    found = 0
    waiting = [page["/Resources"] for page in pdf.pages]
    while waiting:
        resources = waiting.pop().get_object()
        for font in resources.get("/Font", {}).values():
            font = font.get_object()
            inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            if inner.get("/Subtype") == "/Type3":
                continue  # its glyphs are drawn in the file itself
            descriptor = inner["/FontDescriptor"].get_object()
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor)
            found += 1
        for form in resources.get("/XObject", {}).values():
            if "/Resources" in form.get_object():
                waiting.append(form.get_object()["/Resources"])
    assert found > 3


def test_the_table_of_a_figure_holds_the_numbers_drawn() -> None:
    figure = style.canvas(2.0)
    axes = figure.subplots()
    x = np.linspace(0.0, 1.0, 5)
    axes.plot(x, x**2, label="square")
    axes.axvline(0.3)
    axes.scatter([0.1, 0.2], [3.0, 4.0], label="seen")
    axes.imshow(np.arange(6.0).reshape(2, 3), extent=(0.0, 3.0, 0.0, 2.0), origin="lower")
    axes.set_xlabel("time [s]")
    rows = list(csv.DictReader(io.StringIO(figure_data.table(figure))))
    square = [(float(r["x"]), float(r["y"])) for r in rows if r["series"] == "square"]
    np.testing.assert_allclose(square, np.stack([x, x**2], axis=1), rtol=1e-6)
    assert {r["x_label"] for r in rows} == {"time [s]"}
    seen = [(r["x"], r["y"]) for r in rows if r["series"] == "seen"]
    assert seen == [("0.1", "3"), ("0.2", "4")]
    cells = {(r["x"], r["y"]): r["value"] for r in rows if r["kind"] == "map"}
    assert cells[("0.5", "0.5")] == "0" and cells[("2.5", "1.5")] == "5" and len(cells) == 6
