"""Tables that other programs open."""

from __future__ import annotations

from lashwave.report.export import table_file


def test_no_cell_is_a_formula_to_a_spreadsheet() -> None:
    rows = [["=1+1", "+a", "-a", "@a", "a", -1.5, None]]
    said = table_file(["a"] * 7, rows).decode().splitlines()[1]
    assert said == "'=1+1,'+a,'-a,'@a,a,-1.5,"
