"""What a trial folder may hold beyond the plainest one, and what is said about it.

Outside the project: RFC 4180 (rows may end in CRLF, cells may be quoted), the Unicode standard's
byte-order mark, and pandas, whose own reading of the same table is compared with ours.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from lashwave.files import csv_tables as tables, trial_folder
from lashwave.files.csv_markers import fit
from lashwave.files.csv_tables import Column, read_table
from lashwave.files.trial_folder import read_trial
from lashwave.quantities.errors import InputError, counted
from lashwave.quantities.trial import Trial

sys.path.insert(0, str(Path(__file__).parent))
from c3d_writer import write_c3d

from tests.small_trial import HEADING, LINE, described, drifting as rows

TRIAL = described(handle="0.2 m")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(TRIAL)
    (place / "line.csv").write_text(LINE)
    (place / "markers.csv").write_text(HEADING + "".join(rows()))
    return place


def test_rows_in_any_order_and_gaps(folder: Path) -> None:
    body = [r for r in rows() if not r.startswith(("0.010000,M2", "0.020000"))]
    random = np.random.default_rng(1)
    shuffled = [body[i] for i in random.permutation(len(body))]
    (folder / "markers.csv").write_text(HEADING + "".join(shuffled))
    markers = read_trial(folder).markers
    np.testing.assert_allclose(markers.time, np.arange(25) / 500, atol=1e-12)
    lost = np.isnan(markers.position[..., 0])
    assert lost[5].tolist() == [False, True] and lost[10].all() and lost.sum() == 3
    assert markers.position[7, 1].tolist() == [1.5, 0.007, 0.0]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_marks_quotes_and_blank_lines(folder: Path, end: str, mark: str) -> None:
    plain = read_trial(folder)
    text = (folder / "markers.csv").read_text().replace("M1,", '"M1",') + "\n\n"
    for name, content in {"markers.csv": text, "line.csv": LINE, "trial.toml": TRIAL}.items():
        (folder / name).write_bytes((mark + content).replace("\n", end).encode())
    again = read_trial(folder)
    np.testing.assert_array_equal(again.markers.position, plain.markers.position)
    np.testing.assert_array_equal(again.line.diameter, plain.line.diameter)


def test_what_was_assumed_or_passed_over_is_noted(folder: Path) -> None:
    (folder / "trial.toml").write_text(TRIAL + 'M9 = "2 m"\n')
    more = "0.002,K7,0,0,0\n0.004,,1,2,3\n0.004,,1,2,4\n"
    (folder / "markers.csv").write_text(HEADING + "".join(rows()) + more)
    (folder / "line.csv").write_text(
        "station,diameter [mm],linear_density [g/m],colour\n0,8,30,red\n2.4,1,1,red\n"
    )
    trial = read_trial(folder)
    notes = " ".join(trial.notes)
    for word in ("no [air]", "no marker M9", "1 label without a station (K7)", "'colour'"):
        assert word in notes, notes
    assert trial.markers.labels == ("M1", "M2", "M9")  # points without a label may be M9's
    assert trial.markers.unlabelled_position.tolist() == [[1, 2, 3], [1, 2, 4]]
    np.testing.assert_allclose(trial.markers.unlabelled_time, 0.004)


def test_a_stated_rate_replaces_the_tables(folder: Path) -> None:
    stated = TRIAL.replace('sd = "0.3 mm"', 'sd = "0.3 mm"\nrate = "250 Hz"')
    (folder / "trial.toml").write_text(stated)
    trial = read_trial(folder)
    np.testing.assert_allclose(trial.markers.time, np.arange(25) / 250, atol=1e-12)
    assert any("250 Hz" in note for note in trial.notes)


def test_markers_from_c3d_with_zeros_for_gaps(folder: Path) -> None:
    position = np.zeros((30, 3, 3))
    position[..., 1] = np.arange(3) * 400.0 + 100.0
    position[4, 0] = np.nan
    position[5, 1] = 0.0
    write_c3d(folder / "markers.c3d", position, ["M1", "M2", "Head"], first=11)
    (folder / "trial.toml").write_text(TRIAL.replace("markers.csv", "markers.c3d"))
    trial = read_trial(folder)
    markers = trial.markers
    np.testing.assert_allclose(markers.time, (np.arange(30) + 10) / 500)
    assert np.argwhere(np.isnan(markers.position[..., 0])).tolist() == [[4, 0], [5, 1]]
    assert markers.position[0, 1, 1] == pytest.approx(0.5)
    assert "markers.c3d" in trial.hashes
    assert any("exactly at 0, 0, 0" in note for note in trial.notes)


def test_nothing_in_the_folder_changes(folder: Path) -> None:
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}
    read_trial(folder)
    assert {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()} == before


def test_mends_are_applied_and_reported(folder: Path) -> None:
    (folder.parent / "trial.mends.toml").write_text(
        '[[mend]]\nkind = "reject-marker"\nmarker = "M2"\nfrom = "10 ms"\nto = "18 ms"\n'
        'reason = "tape came off"\n'
    )
    trial = read_trial(folder)
    lost = np.isnan(trial.markers.position[..., 0])
    assert np.flatnonzero(lost[:, 1]).tolist() == [5, 6, 7, 8, 9] and not lost[:, 0].any()
    assert "mended by hand: 5 samples of marker M2 set aside (tape came off)." in trial.notes
    assert "trial.mends.toml" in trial.hashes


@pytest.mark.parametrize("rate", [500.0, 100.0, 299.97, 1000 / 3])
def test_the_clock_is_found_through_gaps_and_rounding(rate: float) -> None:
    random = np.random.default_rng(3)
    keep = np.sort(random.choice(2000, 900, replace=False))
    keep[0], keep[-1] = 0, 1999
    times = np.round(0.5 + keep / rate, 6)
    grid = fit(random.permutation(times))
    assert grid is not None and grid.count == 2000
    # Rounding to 1 us, sd 0.29 us, moves no point of a line through 900 of them by more than
    # 4 x 2 x 0.29 us / sqrt(900).
    np.testing.assert_allclose(grid.time, 0.5 + np.arange(2000) / rate, atol=8e-8)
    if rate == 500.0:
        assert grid.rate == 500.0


COLUMNS = (Column("time", "time"), Column("marker", kind="text"), Column("x", "length"))


def test_the_quick_way_reads_what_the_slow_way_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    random = np.random.default_rng(2)
    path = tmp_path / "t.csv"
    lines = [f"{k / 300!r},M{k % 7},{float(v)!r}\n" for k, v in enumerate(random.normal(size=3000))]
    path.write_text("time,marker,x [mm]\n" + "".join(lines))
    slow = read_table(path, "t.csv", COLUMNS)
    monkeypatch.setattr(tables, "FAST_FROM", 100)
    monkeypatch.setattr("lashwave.files.source.BLOCK", 5000)
    monkeypatch.setattr(tables._Reader, "_split", None)  # the slow way would stumble
    quick = read_table(path, "t.csv", COLUMNS)
    for name in ("time", "x"):
        np.testing.assert_array_equal(slow.numbers[name], quick.numbers[name])
    assert [slow.texts["marker"][i] for i in slow.codes["marker"]] == [
        quick.texts["marker"][i] for i in quick.codes["marker"]
    ]
    theirs = pd.read_csv(path)
    np.testing.assert_array_equal(theirs["x [mm]"] * 1e-3, quick.numbers["x"])


@pytest.mark.parametrize(
    "bad, problem",
    [
        ("7.0,M1", "has 2 fields, the heading 3"),
        ("7.0,M1,2,3", "has 4 fields, the heading 3"),
        ("7.0,M1,nan", "'nan' is not finite"),
        ("7.0,M1,1_0", "'1_0' is not finite"),
        ("x,M1,1", "'x' is not a number"),
        ("7.0,M1,", "'' is not a number"),
        ('7.0,"M1,1', "quote"),
        ("7.0,M1,1e400", "'1e400' is not finite"),
    ],
)
@pytest.mark.parametrize("block", [64, 1 << 24])
def test_both_ways_name_the_same_line(
    bad: str, problem: str, block: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    lines = [f"{k},M{k % 7},1.5" for k in range(300)]
    lines[200] = bad
    path.write_text("time,marker,x\n\n" + "\n".join(lines) + "\n")
    monkeypatch.setattr("lashwave.files.source.BLOCK", block)
    for threshold in (10, 1 << 30):
        monkeypatch.setattr(tables, "FAST_FROM", threshold)
        with pytest.raises(InputError) as caught:
            read_table(path, "t.csv", COLUMNS)
        assert caught.value.line == 203 and problem in str(caught.value), caught.value


def test_a_value_out_of_range_is_found_by_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    lines = [f"{k},M{k % 7},{-1 if k == 222 else 1}" for k in range(300)]
    path.write_text("time,marker,x\n\n" + "\n".join(lines))
    column = Column("x", "length", low=0.0, high=2.0)
    monkeypatch.setattr("lashwave.files.source.BLOCK", 200)
    with pytest.raises(InputError) as caught:
        read_table(path, "t.csv", (*COLUMNS[:2], column))
    assert caught.value.line == 225


@pytest.mark.slow
def test_a_long_table_needs_a_few_times_its_own_size(tmp_path: Path) -> None:
    import subprocess

    path = tmp_path / "markers.csv"
    labels = tuple(f"M{i:02}" for i in range(60))
    with path.open("w", buffering=1 << 24) as stream:
        stream.write(HEADING)
        for k in range(60_000):  # two minutes
            stream.write("".join(f"{k / 500:.3f},{m},0.123,1.234,{k % 9}.5\n" for m in labels))
    code = (
        "import sys, pandas; from pathlib import Path\n"
        "from lashwave.files.csv_markers import read_csv\n"
        "def peak():\n"
        "    text = Path('/proc/self/status').read_text()\n"
        "    return int(text.split('VmHWM:')[1].split()[0])\n"
        "base = peak()\n"
        "read_csv(Path(sys.argv[1]), 'm', tuple(f'M{i:02}' for i in range(60)))\n"
        "print(peak() - base)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True
    )
    used, size = 1024 * int(done.stdout), path.stat().st_size
    print(f"{size / 1e6:.0f} MB table, {used / 1e6:.0f} MB more memory")
    assert used < 5 * size  # "a few times its own size"


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("line.csv", "2.4,1,1", "2.4,-1,1", "line 3, diameter: -1 mm is not plausible; expected"),
        ("line.csv", "0,8,30", "0.5,8,30", "line 2, station: begins at 0.5 m; begin at the butt"),
        (
            "line.csv",
            "2.4,1,1",
            "2.4,1,1\n1.5,1,1",
            "1.5 m is not beyond 2.4 m; order rows",
        ),
        ("trial.toml", '"0.2 m"', '"230 cm"', "handle_length: 230 cm of a line of 2.4 m leaves no"),
        ("trial.toml", '"M2" = 1.0', '"M2" = "25 dm"', "stations.M2: 25 dm lies outside the line"),
        ("trial.toml", '"0.3 mm"', '"-1 mm"', "markers.sd: '-1 mm' is not plausible; expected"),
        ("markers.csv", "0.010000,M2", "0.010700,M2", "time: 0.0107 s is 0.32 samples off 501 Hz"),
        ("markers.csv", "0.010000,M2", "0.010000,M1", "a second row of 'M1' at 0.01 s; keep one"),
    ],
)
def test_a_value_is_shown_as_the_file_has_it_with_its_unit(
    folder: Path, file: str, old: str, new: str, says: str
) -> None:
    text = (folder / file).read_text()
    assert text.count(old) >= 1
    (folder / file).write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        read_trial(folder)
    assert says in str(caught.value)


def test_a_count_and_its_noun_agree() -> None:
    assert [counted(n, "sample") for n in (0, 1, 2)] == ["0 samples", "1 sample", "2 samples"]


def test_an_input_that_changes_while_it_is_read_is_refused(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = trial_folder.assembled

    def slow(*given: Any, **named: Any) -> Trial:
        trial = whole(*given, **named)
        with (folder / "markers.csv").open("a") as stream:
            stream.write("0.05,M1,0.5,0,0\n")
        return trial

    monkeypatch.setattr(trial_folder, "assembled", slow)
    with pytest.raises(InputError, match=r"markers.csv: changed while it was read; run again"):
        read_trial(folder)
