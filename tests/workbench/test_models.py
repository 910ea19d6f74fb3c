"""`fall` on a record of one's own, and what `predict` and `rank` refuse."""

import csv

import numpy as np
import pytest

from benchmarks.models import by_quadrature, energy
from lashwave.workbench.cli import main


def record(path, scale=1.0):  # type: ignore[no-untyped-def]
    time, height = by_quadrature(energy)
    noisy = scale * height + 2e-3 * np.random.default_rng(1).standard_normal(time.size)
    rows = [f"{t:.6f},{1e3 * h:.3f}" for t, h in zip(time, noisy, strict=True)]
    path.write_text("\n".join(["time [s],height [mm]", *rows]) + "\n")
    return path


def test_fall_says_which_fold(tmp_path, capsys) -> None:
    file = record(tmp_path / "drop.csv")
    assert main(["fall", str(file), "--length", "1.0", "--out", str(tmp_path / "out")]) == 0
    assert "energy-keeping fold predicts" in capsys.readouterr().out
    (row,) = csv.DictReader((tmp_path / "out" / "fall.csv").open())
    assert float(row["low95"]) <= 0.847213 <= float(row["high95"])
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "fall.csv", "blocks.csv", "fall.svg", "fall.png",
    }  # fmt: skip


@pytest.mark.parametrize(
    "scale, more, said",
    [(0.2, [], "falls by"), (1.0, ["--gap", "0.5"], "--gap"), (1.0, ["--links", "3"], "links")],
)
def test_fall_refuses(tmp_path, capsys, scale, more, said) -> None:
    file = record(tmp_path / "drop.csv", scale)
    out = tmp_path / "out"
    assert main(["fall", str(file), "--length", "1", "--out", str(out), *more]) == 2
    assert said in capsys.readouterr().err
    assert not out.exists()


def test_rank_and_predict_want_answers(tmp_path, capsys) -> None:
    for command in ("rank", "predict"):
        words = [command, str(tmp_path), "--answers", str(tmp_path / "none")]
        assert main([*words, "--out", str(tmp_path.parent / "models-out")]) == 2
        assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_a_record_in_the_folder_asked_for_is_not_replaced(tmp_path):
    record = tmp_path / "fall.csv"
    record.write_text("time [s],height [m]\n0.0,0.0\n0.01,0.001\n")
    before = record.read_text()
    assert main(["fall", str(record), "--length", "1", "--out", str(tmp_path)]) == 2
    assert record.read_text() == before


def test_heights_that_are_no_fall_are_refused(tmp_path, capsys):
    # up and down by 0.6 m on a chain of 1 m: some 300 mm about any fall
    record = tmp_path / "in" / "fall.csv"
    record.parent.mkdir()
    rows = [f"{k / 1000},{0.6 * (k % 2)}" for k in range(300)]
    record.write_text("time [s],height [m]\n" + "\n".join(rows) + "\n")
    assert main(["fall", str(record), "--length", "1", "--out", str(tmp_path / "out")]) == 2
    assert "fall.csv" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
