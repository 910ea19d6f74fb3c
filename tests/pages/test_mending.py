"""Mends from the page: made, undone, in conflict, kept while the server is away; and runs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.pages import trials
from tests.pages.conftest import Server, Watched, bench, says, show, soon, stands, until
from tests.report import invented


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server whose folder these tests may change."""
    parent = tmp_path_factory.mktemp("mending")
    trials.write(parent, "bench-07", frames=8)
    served = Server(parent)
    yield served
    served.stop()


@pytest.fixture
def mending(watched: Watched, own: Server) -> Any:
    (own.folder / "bench-07.mends.toml").unlink(missing_ok=True)
    show(watched.page, own.address("trial/bench-07"))
    watched.page.keyboard.press("3")
    watched.page.wait_for_selector(".mend-form")
    return watched.page


def fill(page: Any, marker: str, begin: str, end: str) -> None:
    page.select_option(".mend-form select >> nth=0", "reject-marker")
    page.select_option(".mend-form select[name=marker]", marker)
    page.fill(".mend-form input[name=from]", begin)
    page.fill(".mend-form input[name=to]", end)


def save(page: Any) -> None:
    page.locator(".mend-form button.main").click()


def listed(page: Any, *words: str) -> None:
    """Wait until the list of mends says so."""
    says(page, ".mends", *words)


def kept(page: Any, field: str, wanted: str) -> None:
    """Wait until a field of the form holds what is wanted."""
    soon(page, lambda: page.input_value(f".mend-form input[name={field}]"), wanted)


def test_a_mend_is_written_undone_and_redone(mending: Any, own: Server) -> None:
    beside = own.folder / "bench-07.mends.toml"
    fill(mending, "M05", "100", "150")
    save(mending)
    listed(mending, "Marker M05 set aside from 100.00 ms to 150.00 ms")
    text = beside.read_text(encoding="utf-8")
    assert "reject-marker" in text
    assert "M05" in text
    mending.locator("h1").click()
    mending.keyboard.press("Control+z")
    mending.wait_for_selector(".mends li", state="detached")
    mending.locator("button", has_text="Redo").click()
    mending.wait_for_selector(".mends li")
    assert "M05" in beside.read_text(encoding="utf-8")


def test_a_wrong_entry_is_refused_and_kept(mending: Any) -> None:
    fill(mending, "M05", "soon", "150")
    save(mending)
    says(mending, ".mend-form .fault", "from: soon is no number")
    kept(mending, "from", "soon")
    # So is a span that ends before it begins.
    fill(mending, "M05", "200", "150")
    save(mending)
    says(mending, ".mend-form .fault", "to: 150 ms is before from, 200 ms")
    kept(mending, "from", "200")
    assert mending.locator(".mends li").count() == 0


def test_a_span_outside_the_record_is_refused_in_the_form_s_own_words(mending: Any) -> None:
    fill(mending, "M05", "700", "800")
    save(mending)
    says(mending, ".mend-form .fault", "from: 700 ms is outside of the record, 0 to 600 ms")
    assert mending.locator(".mends li").count() == 0


def test_a_reason_is_added_and_changed_later(mending: Any, own: Server) -> None:
    fill(mending, "M05", "100", "150")
    save(mending)
    for text in ("a hand in the way", "a sleeve in the way"):
        mending.locator(".mends .reason").click()
        mending.fill(".reason-form input", text)
        mending.locator(".reason-form button").click()
        mending.wait_for_selector(f".mends .reason:has-text('{text}')")
    assert "a sleeve in the way" in (own.folder / "bench-07.mends.toml").read_text("utf-8")


def test_an_entry_of_the_line_is_typed_in_the_unit_of_its_table(page: Any, tmp_path: Path) -> None:
    folder = trials.write(tmp_path, "in-mm", cameras=False, answered=False)
    head, *rows = (folder / "line.csv").read_text(encoding="utf-8").splitlines()
    at = [h.split(" [")[0] for h in head.split(",")].index("diameter")
    cells = [row.split(",") for row in rows]
    for row in cells:
        row[at] = repr(round(1e3 * float(row[at]), 6))
    text = "\n".join([head.replace("diameter [m]", "diameter [mm]"), *map(",".join, cells)])
    (folder / "line.csv").write_text(text + "\n", encoding="utf-8")
    served = Server(tmp_path)
    show(page, served.address("trial/in-mm"))
    page.keyboard.press("3")
    page.select_option(".mend-form select >> nth=0", "line-entry")
    page.select_option(".mend-form select[name=column]", "diameter")
    says(page, ".mend-form label:has(input[name=value])", "value [mm]")
    page.fill(".mend-form input[name=value]", "7.5")
    save(page)
    page.wait_for_selector(".mends li:has-text('set to 7.5 mm')")
    assert "value = 0.0075" in (tmp_path / "in-mm.mends.toml").read_text("utf-8")
    served.stop()


def test_a_point_is_corrected_by_a_click_in_the_frame(mending: Any) -> None:
    bench(mending, "bench.goTo(bench.info.cameras[0].clock.offset + 3 / 20000)")
    mending.select_option(".mend-form select >> nth=0", "correct-point")
    mending.get_by_role("button", name="Click in the frame").click()
    host = mending.locator("[data-view=video-tip-view] .host").bounding_box()
    mending.mouse.click(host["x"] + host["width"] / 2, host["y"] + host["height"] / 2)
    kept(mending, "frame", "3")
    u = float(mending.input_value(".mend-form input[name=u]"))
    # The middle of the picture: pixel centres are whole numbers, so 127.5; one sheet pixel wide.
    assert u == pytest.approx(0.5 * trials.SIDE - 0.5, abs=1.0)
    save(mending)
    listed(mending, "tip of tip-view put at")
    # Where it was is drawn too, linked with where it is.
    until(mending, "window.lashwave.video?.overlay.moved.length === 1")
    moved = mending.evaluate("window.lashwave.video.overlay.moved[0]")
    assert moved["is"] == pytest.approx([u, moved["is"][1]], abs=0.01)
    tip = trials.PER_METRE * (
        invented.place(np.array([trials.OFFSET + 3 / trials.RATE]), np.array([invented.LENGTH]))[
            0, 0
        ]
        - [trials.LEFT, 0.0, trials.TOP]
    )
    assert moved["was"] == pytest.approx([tip[0], -tip[2]], abs=1e-3)


def test_the_second_of_two_writers_is_told(mending: Any, own: Server, watched: Watched) -> None:
    """Another program writes the mends between this page's reading and its saving."""
    fill(mending, "M05", "100", "150")
    # The other tab's word of the change is held back, as if it came too late.
    mending.route("**/api/trials/bench-07/mends", lambda route: route.continue_())
    stale = mending.evaluate(
        """async () => {
          const at = '/api/trials/bench-07/mends', head = {};
          const now = await (await fetch(at, {headers: head})).json();
          const put = (body, etag) => fetch(at, {method: 'PUT', body: JSON.stringify(body),
            headers: {...head, 'If-Match': etag, 'Content-Type': 'application/json'}});
          const mend = {kind: 'reject-marker', marker: 'M07', from: 0.1, to: 0.2};
          const first = await put({mends: [mend]}, now.etag);
          const second = await put({mends: []}, now.etag);
          return [first.status, second.status];
        }"""
    )
    assert stale == [200, 409]
    listed(mending, "M07")
    kept(mending, "from", "100")


def test_the_page_explains_a_conflict(mending: Any) -> None:
    fill(mending, "M05", "100", "150")
    body = json.dumps({"error": "the mends were changed meanwhile", "etag": "x", "mends": []})

    def refuse(route: Any) -> None:
        if route.request.method == "PUT":
            route.fulfill(status=409, body=body, content_type="application/json")
        else:
            route.continue_()

    mending.route("**/api/trials/bench-07/mends", refuse)
    save(mending)
    says(mending, ".side [role=alert]", "still in the form")
    kept(mending, "to", "150")
    mending.unroute("**/api/trials/bench-07/mends")
    mending.get_by_role("button", name="Understood").click()
    save(mending)
    mending.wait_for_selector(".mends li")


def test_two_tabs_stay_in_step(mending: Any, own: Server, watched: Watched) -> None:
    other = watched.open()
    show(other, own.address("trial/bench-07"))
    other.keyboard.press("3")
    fill(mending, "M06", "50", "60")
    save(mending)
    listed(other, "M06")


def test_the_server_goes_and_returns(mending: Any, own: Server) -> None:
    fill(mending, "M04", "10", "20")
    own.stop()
    save(mending)
    mending.wait_for_selector(".banner")
    says(mending, ".side [role=alert]", "nothing was saved")
    own.start()
    mending.wait_for_selector(".banner", state="detached")
    kept(mending, "to", "20")
    save(mending)
    mending.wait_for_selector(".mends li")
    assert "M04" in (own.folder / "bench-07.mends.toml").read_text(encoding="utf-8")


def test_a_draft_outlives_a_reload(mending: Any) -> None:
    fill(mending, "M03", "11", "22")
    mending.reload()
    mending.wait_for_selector(".mend-form", state="attached")
    kept(mending, "from", "11")


def test_a_run_is_seen_in_every_tab_and_cancelled(
    mending: Any, own: Server, watched: Watched
) -> None:
    """The real reconstruction in the server's own process; the last good answer stands."""
    before = {p.name: p.stat().st_mtime_ns for p in (own.folder / "bench-07.answers").iterdir()}
    other = watched.open()
    show(other, own.address("trial/bench-07"))
    other.keyboard.press("3")
    mending.locator(".run button.main").click()
    mending.wait_for_selector(".progress")
    # Every tab sees it, and marks what it shows as of the answer before.
    other.wait_for_selector(".progress")
    for page in (mending, other):
        page.wait_for_selector(".summary:has-text('of the answer before')")
    until(
        mending, "/reading the trial|a first motion/.test(document.querySelector('.run').innerText)"
    )
    mending.locator(".progress button").click()
    until(mending, "document.querySelector('.run')?.innerText.includes('Cancelled')", 30.0)
    after = {p.name: p.stat().st_mtime_ns for p in (own.folder / "bench-07.answers").iterdir()}
    assert after == before


def test_before_and_after_a_run_stand_side_by_side(mending: Any, own: Server) -> None:
    """The answers that a run replaced are kept; here the run's work is done by hand."""
    from lashwave.serving.before import keep_before
    from lashwave.serving.library import Library

    keep_before(Library(own.folder), "bench-07")
    summary = own.folder / "bench-07.answers" / "summary.json"
    record = json.loads(summary.read_text(encoding="utf-8"))
    record["quantities"]["peak_tip_speed"]["value"] += 20.0
    summary.write_text(json.dumps(record), encoding="utf-8")
    mending.reload()
    stands(mending, "bench-07")
    mending.keyboard.press("2")
    row = mending.wait_for_selector(".compared tr:has-text('peak tip speed')").inner_text()
    assert row.count("±") == 2 and "+" in row.splitlines()[-1].split("\t")[-1]
    mending.locator(".summary a", has_text="before and after").click()
    mending.wait_for_selector(".overlaid svg path")
    head = mending.locator(".compared thead").inner_text()
    assert re.search(r"− .*, before", head)  # what the mend changed: after less before
    says(mending, ".compare", "share most sightings")


@pytest.mark.slow
def test_a_mend_and_a_run_give_a_new_answer(browser: Any, tmp_path: Path) -> None:
    """A fifth of a second of a simulated swing, reconstructed from the page with a mend."""
    from lashwave.workbench import cli

    made = tmp_path / "made"
    assert (
        cli.main(
            ["simulate", str(made), "--kind", "swing", "--seed", "5", "--no-camera", "--quiet"]
        )
        == 0
    )
    (tmp_path / "bench").mkdir()
    (made / "trial").rename(tmp_path / "bench" / "swing")
    markers = tmp_path / "bench" / "swing" / "markers.csv"
    head, *rows = markers.read_text(encoding="utf-8").splitlines()
    short = [row for row in rows if float(row.split(",")[0]) < 0.2]
    markers.write_text("\n".join([head, *short]) + "\n", encoding="utf-8")
    served, one = Server(tmp_path / "bench"), Watched(browser)
    page = one.page
    show(page, served.address("trial/swing"))
    page.keyboard.press("3")
    page.wait_for_selector(".mend-form")
    fill(page, "M05", "50", "100")
    save(page)
    page.wait_for_selector(".mends li")
    page.locator(".run button.main").click()
    page.wait_for_selector(".summary:has-text('peak tip speed')", timeout=600_000)
    page.get_by_role("tab", name="Motion").click()
    page.wait_for_selector("[data-view=speed]")
    assert (tmp_path / "bench" / "swing.answers" / "motion.nc").is_file()
    summary = json.loads((tmp_path / "bench" / "swing.answers" / "summary.json").read_text())
    assert any("mended by hand" in warning for warning in summary["warnings"])
    one.close()
    served.stop()
