"""The docs' page of outside checks names every test that holds one, and none that is not there."""

from __future__ import annotations

import re
from pathlib import Path

from tests.published.record import BEGIN, END, PAGE

TESTS = Path(__file__).parents[1]
TEXT = PAGE.read_text(encoding="utf-8")
WRITTEN = TEXT.split(BEGIN)[1].split(END)[0]
NAME = r"`([\w/]+\.py::test_\w+)`"


def functions(pattern: str, where: Path) -> set[str]:
    """Tests below a folder whose arguments match a pattern, by file and name."""
    return {
        f"{path.relative_to(TESTS).as_posix()}::{name}"
        for path in where.rglob("test_*.py")
        if path != Path(__file__)
        for name, given in re.findall(
            r"^def (test_\w+)\((.*?)\)(?: ->.*?)?:$",
            path.read_text(encoding="utf-8"),
            re.MULTILINE | re.DOTALL,
        )
        if re.search(pattern, given)
    }


def test_every_test_that_holds_an_outside_number_is_named_with_what_it_found() -> None:
    assert set(re.findall(NAME, WRITTEN)) == functions(r"\bcheck\b", TESTS)


def test_every_test_of_the_folder_is_named() -> None:
    assert functions("", TESTS / "published") <= set(re.findall(NAME, TEXT))


def test_every_test_that_is_named_exists() -> None:
    assert set(re.findall(NAME, TEXT)) <= functions("", TESTS)


def test_what_is_written_says_source_tolerance_and_result() -> None:
    rows = [line.strip("| ").split(" | ") for line in WRITTEN.splitlines() if line[:2] == "| "]
    assert len(rows) > 120
    for row in rows[1:]:
        assert not any("|" in cell for cell in row), row
        assert len(row) == 6 and all(cell.strip() for cell in row), row
        assert row[2] in ("read", "quoted", "recalled", "derived"), row
