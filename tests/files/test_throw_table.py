"""A growing table of throws: killed in the midst of a line, opened again, read back."""

from __future__ import annotations

from pathlib import Path

import pytest

from lashwave.files.throw_table import ThrowTable, read_throws
from lashwave.quantities import InputError

COLUMNS = ["throw", "length", "peak_speed", "bad"]
UNITS = {"length": "m", "peak_speed": "m/s"}


def row(number: int, bad: str = "") -> dict:
    return {"throw": number, "length": 1.0 / 3.0, "peak_speed": 50.0 + number, "bad": bad}


def test_rows_come_back_to_the_last_digit_in_the_order_of_the_throws(tmp_path: Path) -> None:
    table = ThrowTable(tmp_path / "new" / "t.csv", COLUMNS, UNITS)
    table.add([row(2, "one, two"), row(0)])
    table.add([row(1)])
    found = read_throws(tmp_path / "new" / "t.csv")
    assert list(found["throw"]) == [0, 1, 2] and list(found["bad"]) == ["", "", "one; two"]
    assert found["length"][0] == 1.0 / 3.0
    assert (tmp_path / "new" / "t.csv").read_text().startswith("throw,length [m],peak_speed [m/s]")


@pytest.mark.parametrize("cut", [1, 5, 12])
def test_a_line_cut_off_by_a_kill_is_done_anew(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "t.csv"
    ThrowTable(path, COLUMNS, UNITS).add([row(0), row(1)])
    whole = path.read_bytes()
    path.write_bytes(whole[:-cut])
    table = ThrowTable(path, COLUMNS, UNITS)
    assert table.done == {0}
    table.add([row(1)])
    assert path.read_bytes() == whole


def test_other_columns_and_files_that_are_no_table_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    ThrowTable(path, COLUMNS, UNITS)
    with pytest.raises(InputError, match="holds other columns"):
        ThrowTable(path, COLUMNS[:2], UNITS)
    with pytest.raises(InputError, match="no such file"):
        read_throws(tmp_path / "none.csv")
    (tmp_path / "x.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="no column `throw`"):
        read_throws(tmp_path / "x.csv")


@pytest.mark.parametrize("cell", ["½", "--1", "1e999", "0.5 m"])
def test_a_cell_that_is_no_number_is_named_where_numbers_are_asked_for(
    tmp_path: Path, cell: str
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(f"throw,length [m],hand\n0,1.5,left\n1,,right\n2,{cell},left\n")
    assert read_throws(path)["hand"][2] == "left"
    with pytest.raises(InputError, match=r"t\.csv, line 4, length: .* is not a finite number"):
        read_throws(path, numbers=("length", "mass"))


def test_a_blank_cell_is_no_number_and_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("throw,length [m]\n0,1.5\n1,\n")
    length = read_throws(path, numbers=("length",))["length"]
    assert length[0] == 1.5 and length.isna()[1]
