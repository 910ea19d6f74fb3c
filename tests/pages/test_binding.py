"""A trial never shows another's answers; answers alone are shown as such; the secret leaves."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.pages import trials
from tests.pages.conftest import TOKEN, Server, says, show, stands


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """An answered trial, one of the same name that was never run, and answers of neither."""
    parent = tmp_path_factory.mktemp("mixed")
    trials.write(parent, "run", frames=4, times=60, stations=12)
    shutil.copytree(parent / "run", parent / "never-run")
    text = (parent / "never-run" / "markers.csv").read_text(encoding="utf-8")
    (parent / "never-run" / "markers.csv").write_text(text.rsplit("\n", 2)[0] + "\n", "utf-8")
    (parent / "run.answers").rename(parent / "elsewhere")
    shutil.copytree(parent / "elsewhere", parent / "alone")
    changed = (parent / "alone" / "summary.json").read_text(encoding="utf-8")
    (parent / "alone" / "summary.json").write_text(changed.replace("trial.toml", "other.toml"))
    served = Server(parent)
    yield served
    served.stop()


def test_a_same_named_answer_is_offered_and_never_shown(page: Any, mixed: Server) -> None:
    show(page, mixed.address("trial/never-run"))
    said = page.inner_text(".summary")
    assert "not reconstructed" in said and "peak tip speed" not in said
    assert "of the same name but of other inputs" in said
    page.keyboard.press("2")
    says(page, ".side [role=tabpanel]", "No answers yet")
    show(page, mixed.address("trial/run"))
    assert "peak tip speed" in page.inner_text(".summary")  # bound by the hashes of all inputs


def test_the_list_has_trials_and_answers_alone(page: Any, mixed: Server) -> None:
    page.goto(mixed.address())
    page.wait_for_selector(".trials tbody tr")
    rows = page.locator(".trials tbody tr").all_inner_texts()
    assert len(rows) == 3  # `elsewhere` stands with its trial
    assert sum("answers without their trial" in row for row in rows) == 1
    assert any("not reconstructed" in row for row in rows)
    show(page, mixed.address("trial/alone"))
    assert "peak tip speed" in page.inner_text(".summary")


def test_the_token_leaves_the_address_and_a_reload_still_works(page: Any, mixed: Server) -> None:
    said: list[str] = []
    page.on("response", lambda r: said.append(f"{r.status} {r.url}") if r.status >= 400 else None)
    show(page, mixed.address("trial/run"))
    assert TOKEN not in page.url and page.evaluate("document.cookie") == ""
    page.reload()
    stands(page, "run")
    show(page, f"http://127.0.0.1:{mixed.port}/#/trial/never-run")
    assert said == []  # nothing is asked for that is not there


def test_a_folder_above_the_trials_says_where_they_are(browser: Any, tmp_path: Path) -> None:
    trials.write(tmp_path / "campaign", "one", cameras=False, answered=False)
    served = Server(tmp_path)
    context = browser.new_context()
    page = context.new_page()
    page.goto(served.address())
    assert "/campaign" in page.wait_for_selector(".empty code").inner_text()
    context.close()
    served.stop()
