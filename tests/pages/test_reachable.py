"""Everyone can use it: axe finds nothing serious; keys can be switched off; less motion if wished.

axe-core (Deque Systems, MPL-2.0) comes with the packages of `web/`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.pages.conftest import Server, bench, settle, show, soon, until

AXE = Path(__file__).parents[2] / "web" / "node_modules" / "axe-core" / "axe.min.js"
TABS = ("Moment", "Answers", "Mends", "Export")
PLACES = {
    "": ".trials tbody tr",
    "new": "input[name=path]",
    "trial/bench-07": "[data-view=line] canvas.sheet",
    "trial/unanswered": "[data-view=sightings] canvas",
    "compare/bench-07/no-camera": ".overlaid svg path",
    "trial/broken": ".fault",
    "campaign/spring": ".compared tbody tr",
}
"""Pages, and what stands there once they are whole."""


def serious(page: Any) -> list[str]:
    """What axe-core calls serious or worse: rule, and the first element that breaks it."""
    if not AXE.is_file():
        pytest.skip("axe-core is not installed: npm ci in web/")
    page.evaluate(AXE.read_text(encoding="utf-8") + "; 0")
    found = page.evaluate("async () => (await axe.run()).violations")
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(browser: Any, server: Server, scheme: str) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 720}, color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(40_000)
    for place, whole in PLACES.items():
        page.goto(server.address(place))
        page.wait_for_selector(whole)
        settle(page)
        assert serious(page) == [], place
        if place == "new":
            page.fill("input[name=path]", "raw")
            page.get_by_role("button", name="Look inside").click()
            page.wait_for_selector(".preview .warnings")
            assert serious(page) == [], "the form"
        if place != "trial/bench-07":
            continue
        for tab in range(4):
            page.keyboard.press(str(tab + 1))
            page.wait_for_selector(f".side [role=tab][aria-selected=true] >> text={TABS[tab]}")
            assert serious(page) == [], tab
        page.get_by_role("tab", name="Sightings").click()
        page.wait_for_selector("[data-view=sightings] canvas")
        assert serious(page) == []
        page.keyboard.press("?")
        page.wait_for_selector("dialog[open]")
        assert serious(page) == []
        page.keyboard.press("Escape")
        page.wait_for_selector("dialog", state="detached")
    context.close()


def test_axe_finds_nothing_serious_in_the_report(browser: Any, tmp_path: Path) -> None:
    from lashwave.report import page as report
    from tests.report import invented

    trial = invented.trial()
    fit = invented.fit(trial, times=60, stations=12)
    content = report.compose(trial, fit, invented.answers(fit), invented.lists(fit))
    (tmp_path / "report.html").write_text(report.render(content), encoding="utf-8")
    context = browser.new_context()
    page = context.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert serious(page) == []
    context.close()


def test_axe_finds_nothing_serious_in_a_page_of_many_trials(browser: Any, tmp_path: Path) -> None:
    """Campaign, comparison, design and plan are one page of chapters; a table is wider than it."""
    from lashwave.report import study_page

    table = study_page.Section(
        "Throws", headings=[f"a long heading {i}" for i in range(40)], rows=[["1.0 ± 0.1"] * 40]
    )
    body = study_page.render("kind", "title", "facts", [table], ["a warning"])
    (tmp_path / "study.html").write_text(body, encoding="utf-8")
    context = browser.new_context()
    page = context.new_page()
    page.goto((tmp_path / "study.html").as_uri())
    assert page.evaluate("(e => e.scrollWidth > e.clientWidth)(document.querySelector('.wide'))")
    assert serious(page) == []
    context.close()


def test_keys_can_be_switched_off(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    page.keyboard.press("?")
    page.get_by_role("checkbox", name="listen to these keys").uncheck()
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog", state="detached")
    before = bench(page, "bench.time.value")
    page.keyboard.press("Home")
    settle(page)
    assert bench(page, "bench.time.value") == before
    page.get_by_role("button", name="Keys").click()
    page.get_by_role("checkbox", name="listen to these keys").check()
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog", state="detached")
    page.keyboard.press("Home")
    soon(page, lambda: bench(page, "bench.time.value"), bench(page, "bench.whole.from"))


def test_who_wants_less_motion_gets_each_play_once(browser: Any, server: Server) -> None:
    context = browser.new_context(reduced_motion="reduce")
    page = context.new_page()
    page.set_default_timeout(40_000)
    show(page, server.address("trial/bench-07"))
    end = bench(page, "bench.window.value.to")
    bench(page, f"(bench.goTo({end} - 1e-4), bench.rate.value = 0.01, bench.playing.value = true)")
    until(page, "!window.lashwave.bench.playing.value")
    assert bench(page, "bench.time.value") <= end + 1e-9
    context.close()


def test_two_answers_are_compared_on_one_clock(page: Any, server: Server) -> None:
    page.goto(server.address())
    page.wait_for_selector(".trials tbody tr")
    for name in ("bench-07", "no-camera"):
        page.locator(f".trials tr:has(a[href$='{name}']) input[type=checkbox]").check()
    page.get_by_role("button", name="Compare").click()
    page.wait_for_selector(".overlaid svg path")
    row = page.locator(".compared tr", has_text="peak tip speed").first.inner_text()
    assert row.count("±") >= 3 and "sd)" in row  # two values, and a difference with its sd
    lists = page.eval_on_selector_all(
        ".compare select >> nth=0 >> option", "all => all.map(o => o.value)"
    )
    other = next(name for name in lists if name != "tip_speed")
    page.select_option(".compare select >> nth=0", other)
    named = other.replace("_", " ")
    soon(page, lambda: named in page.locator(".overlaid").text_content(), True)
