"""CSV is read and written in one place, after RFC 4180."""

from pathlib import Path

import pytest

from lashwave.quantities import cells_of, csv_lines

ROWS = [["a", "b [m]"], ["1.5", 'he said "no", twice'], ["", "x;y"]]


def test_what_is_written_is_read_back():
    text = "".join(csv_lines(ROWS))
    assert text == 'a,b [m]\n1.5,"he said ""no"", twice"\n,x;y\n'
    assert list(cells_of(text.splitlines())) == ROWS


@pytest.mark.parametrize("lines", [['1,"2', '3",4'], ['1,"2'], ['1,"2"3']])
def test_a_quote_where_none_may_stand_ends_at_its_row(lines):
    rows = cells_of(["0,0", *lines])
    assert next(rows) == ["0", "0"]
    with pytest.raises(ValueError):
        list(rows)


def test_a_foreign_table_may_be_looser():
    assert list(cells_of(["1;a 'b\" c", ";"], ";", strict=False)) == [["1", "a 'b\" c"], ["", ""]]


def test_no_other_module_reads_or_writes_csv_by_itself():
    package = Path(__file__).parents[2] / "src" / "lashwave"
    found = [p.name for p in package.rglob("*.py") if "import csv\n" in p.read_text("utf-8")]
    assert found == ["csv_text.py"]
