"""Writes the register of answers into `answers.md`: `python docs/write_register.py`."""

from __future__ import annotations

from pathlib import Path

from lashwave.answers.register import table

PAGE = Path(__file__).parent / "answers.md"
FIRST, LAST = "<!-- the register, by docs/write_register.py -->", "<!-- end of the register -->"


def written(page: str) -> str:
    """The page with the tables of the register between its marks."""
    before, rest = page.split(FIRST)
    after = rest.split(LAST)[1]
    return f"{before}{FIRST}\n\n{table()}\n{LAST}{after}"


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
