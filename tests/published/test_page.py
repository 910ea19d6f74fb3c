"""The docs' page of outside checks names every test that there is, and none that is not."""

from __future__ import annotations

import re
from pathlib import Path

from tests.published.record import BEGIN, END, PAGE

ROOT = Path(__file__).parents[2]
TEXT = PAGE.read_text(encoding="utf-8")


def functions_of(path: Path) -> set[str]:
    """Names of the test functions of a file."""
    return set(re.findall(r"^def (test_\w+)\(", path.read_text(encoding="utf-8"), re.MULTILINE))


def test_every_test_of_the_folder_that_checks_is_named_with_its_result() -> None:
    written = TEXT.split(BEGIN)[1].split(END)[0]
    named = set(re.findall(r"`(test_\w+\.py::test_\w+)`", written))
    there = {
        f"{path.name}::{name}"
        for path in Path(__file__).parent.glob("test_*.py")
        if path != Path(__file__)
        for name in functions_of(path)
    }
    without = set(re.findall(r"`(test_\w+\.py::test_\w+)`", TEXT.split(END)[1]))
    assert named | without == there
    assert not named & without


def test_every_test_named_elsewhere_exists() -> None:
    named = re.findall(r"`tests/([\w/]+\.py)::(test_\w+)`", TEXT)
    assert named
    for path, name in named:
        assert name in functions_of(ROOT / "tests" / path), f"{path}::{name}"


def test_what_is_written_says_source_tolerance_and_result() -> None:
    written = TEXT.split(BEGIN)[1].split(END)[0]
    rows = [line.strip("| ").split(" | ") for line in written.splitlines() if line.startswith("| ")]
    assert len(rows) > 100
    for row in rows[1:]:
        assert len(row) == 6 and all(cell.strip() for cell in row), row
        assert row[2] in ("read", "recalled", "derived"), row
