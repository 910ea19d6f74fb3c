"""The trials of a folder: pictures, verdicts, sorting; none at all; one that cannot be read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.pages.conftest import Server, Watched, soon, until


def names(page: Any) -> list[str]:
    found: list[str] = page.eval_on_selector_all(
        ".trials tbody tr", "rows => rows.map(r => r.cells[1].querySelector('a').innerText)"
    )
    return found


def test_the_list_shows_verdicts_and_sorts(page: Any, server: Server) -> None:
    page.goto(server.address())
    page.wait_for_selector(".trials tbody tr")
    assert set(names(page)) >= {"bench-07", "no-camera", "unanswered"}
    assert len(names(page)) == 4
    broken = page.locator(".trials tr.broken")
    assert "unusable" in broken.inner_text()
    assert "rate" in broken.inner_text()
    first = names(page)
    page.locator(".trials th button", has_text="Trial").click()
    soon(page, lambda: names(page), first[::-1])
    page.locator(".trials th button", has_text="Peak tip speed").click()
    sorted_by = page.locator(".trials th[aria-sort=ascending]")
    soon(page, lambda: sorted_by.inner_text().startswith("Peak tip"), True)
    assert names(page)[0] in {"bench-07", "no-camera"}
    loaded = page.eval_on_selector_all(
        ".trials img", "all => all.map(i => i.complete && i.naturalWidth > 0)"
    )
    assert loaded
    until(page, "[...document.querySelectorAll('.trials img')].every(i => i.naturalWidth > 0)")


def test_the_table_of_a_campaign_is_shown_and_sorts(page: Any, server: Server) -> None:
    page.goto(server.address())
    page.get_by_role("link", name="Campaign spring").click()
    page.wait_for_selector(".compared tbody tr")

    def column(number: int) -> list[str]:
        cells = page.locator(f".compared tbody tr > :nth-child({number})")
        return [str(text) for text in cells.all_inner_texts()]

    assert column(1) == ["a", "b", "c"] and column(2) == ["98.5", "312.5", "–"]
    page.get_by_role("button", name="peak [m/s]").click()
    page.get_by_role("button", name="peak [m/s]").click()
    soon(page, lambda: column(2), ["312.5", "98.5", "–"])  # what is missing stays last


def test_a_broken_trial_says_why_and_leads_back(page: Any, server: Server) -> None:
    page.goto(server.address("trial/broken"))
    fault = page.wait_for_selector(".fault").inner_text()
    assert "trial.toml" in fault
    assert "rate" in fault
    page.locator(".empty a").click()
    page.wait_for_selector(".trials")


def test_an_empty_folder_says_what_to_do(browser: Any, tmp_path: Path) -> None:
    served, one = Server(tmp_path), Watched(browser)
    one.page.goto(served.address())
    assert "No trial in" in one.page.wait_for_selector(".empty").inner_text()
    one.page.locator(".empty a").click()
    one.page.wait_for_selector("input[name=path]")
    one.close()
    served.stop()
