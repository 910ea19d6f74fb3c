"""`law` and `sensitivity` as a person runs them, with few throws on short chains."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lashwave.files import ThrowTable
from lashwave.study import ensemble, one_throw, throw_family, what_if
from lashwave.study.closed_forms import closed_forms
from lashwave.workbench import throws_at_hand
from lashwave.workbench.cli import main


def instead(inputs, todo=None, *, processes=None, links=0, gpu=False, progress=None):  # type: ignore[no-untyped-def]
    """The closed forms in place of the engine, with a little that depends on the fold."""
    throws = pd.DataFrame(inputs, columns=throw_family.NAMES)
    form = closed_forms(throws)
    wide = (throws["loop"] / throws["length"]).to_numpy() ** -0.5
    for n in todo:
        row = {"throw": n, **throws.iloc[n].to_dict(), "tip_diameter": 1e-3}
        row |= {name: float(form[name][n] * wide[n]) for name in form}
        row |= dict.fromkeys((item.name for item in one_throw.ACCURACY), 0.0)
        yield [{**row, "bad": "invented" if n % 50 == 7 else ""}]
        if progress is not None:
            progress("throws", 0.5)


@pytest.fixture
def quickly(monkeypatch):
    monkeypatch.setattr(ensemble, "rows", instead)
    monkeypatch.setattr(what_if, "fitted", lambda processes: None)  # tests/study/test_what_if.py


def test_a_law_is_built_and_then_asked(quickly, tmp_path: Path, capsys) -> None:
    out = tmp_path / "law"
    assert main(["law", "--out", str(out), "--throws", "120", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "120 throws, 3 of them not trusted" in said and "peak_speed" in said
    names = {path.name for path in out.iterdir()}
    assert names == {"throws.csv", "law.npz", "law.tex", "law.csv", "groups.csv", "law.svg",
                     "law.png", "law.html"}  # fmt: skip
    throw = tmp_path / "throw.toml"
    throw.write_text('length = "1.9 m"\nloop = "25 cm"\n')
    before = (out / "law.npz").read_bytes()
    assert main(["law", "--out", str(out), "--ask", str(throw), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "peak_speed [m/s]" in said and "caution" not in said
    assert (out / "law.npz").read_bytes() == before
    row = pd.DataFrame([{**throw_family.MIDDLE, "length": 1.9, "loop": 0.25}])
    true = float(closed_forms(row)["peak_speed"][0] * (0.25 / 1.9) ** -0.5)
    told = float(next(line for line in said.splitlines() if "peak_speed [" in line).split()[2])
    assert told == pytest.approx(true, rel=0.02)
    throw.write_text('loop = "1.2 m"\n')
    assert main(["law", "--out", str(out), "--ask", str(throw), "--quiet"]) == 0
    assert "caution: outside the range of validity: fold" in capsys.readouterr().out
    whole = (out / "law.npz").read_bytes()
    for at in range(100, 2000, 150):  # also within what is packed, where zlib itself complains
        (out / "law.npz").write_bytes(whole[:at] + b"\xff" * 40 + whole[at + 40 :])
        assert main(["law", "--out", str(out), "--ask", str(throw), "--quiet"]) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_a_run_that_was_stopped_goes_on(quickly, tmp_path: Path) -> None:
    path, inputs = tmp_path / "t.csv", ensemble.draw(20, 0)
    table = ThrowTable(path, throws_at_hand.COLUMNS, throws_at_hand.UNITS)
    for lot in instead(inputs, range(5)):
        table.add([{**row, "peak_speed": 1.0} for row in lot])
    found = throws_at_hand.computed(path, inputs, 1, lambda *_: None)
    assert list(found["throw"]) == list(range(20))
    assert (found["peak_speed"][:5] == 1.0).all() and (found["peak_speed"][5:] > 1.0).all()


def test_sensitivity_names_what_moves_the_speed(quickly, tmp_path: Path, capsys) -> None:
    ranges = tmp_path / "ranges.toml"
    ranges.write_text(
        '[time]\nlow = "0.18 s"\nhigh = "0.28 s"\n[loop]\nlow = "0.25 m"\nhigh = "0.26 m"\n'
        '[direction]\nlow = 0.0\nhigh = 0.1\n'
    )  # fmt: skip
    out = tmp_path / "s"
    args = ["sensitivity", str(ranges), "--out", str(out), "--base", "64", "--quiet"]
    assert main(args) == 0
    assert "peak_speed" in capsys.readouterr().out
    index = pd.read_csv(out / "indices.csv")
    speed = index[index["output"] == "peak_speed"].set_index("input")
    assert speed["total"]["time"] > 0.9 and speed["total"]["direction"] < 0.02
    slope = pd.read_csv(out / "slopes.csv").set_index(["output", "input"])["slope"]
    middle = pd.DataFrame([{**throw_family.MIDDLE, "time": 0.23, "loop": 0.255, "direction": 0.05}])
    form = closed_forms(middle)["peak_speed"][0]
    peak = form * (0.255 / middle["length"][0]) ** -0.5
    assert slope["peak_speed", "time"] == pytest.approx(-peak / 0.23, rel=1e-3)
    assert np.isfinite(slope.to_numpy()).all()
    page = (out / "sensitivity.html").read_text(encoding="utf-8")
    assert "peak_speed, first peak of the tip" in page and "time moves it most" in page
    assert "m/s / s" in page and "src=" not in page and "3 inputs varied" in page
    assert main([*args[:-2], "128", "--quiet"]) == 2  # the folder holds throws of other ranges
    assert "holds throws of other ranges" in capsys.readouterr().err


@pytest.mark.parametrize(
    "args, told",
    [
        (["law", "--throws", "5"], "--throws: 5 are too few; ask for 100 or more"),
        (["law", "--processes", "0"], "--processes: 0 is not a number of them"),
        (["law", "--ask", "none.toml"], "none.toml: cannot be read"),
        (["law", "--measured", "none.csv"], "none.csv: there is no such file"),
        (["sensitivity", "--base", "60"], "--base: 60 is no power of two"),
    ],
)
def test_bad_input_is_one_line_and_status_2(args, told, tmp_path: Path, capsys) -> None:
    assert main([*args, "--out", str(tmp_path / "o"), "--quiet"]) == 2
    error = capsys.readouterr().err
    assert told in error and error.count("\n") == 1
    assert not (tmp_path / "o").exists()
