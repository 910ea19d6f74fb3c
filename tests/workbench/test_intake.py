"""Instrument files of many shapes, each against the same motion written by hand in SI."""

from __future__ import annotations

import hashlib
import json
from glob import glob
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.marker_samples import MarkerSamples, zeros_to_gaps
from lashwave.files.marker_section import READERS
from lashwave.files.trial_folder import read_trial
from lashwave.intake import new_trial as assemble
from lashwave.intake.headings import understood
from lashwave.intake.recognise import recognise, sequences
from lashwave.intake.sheet import read_sheet
from lashwave.quantities.errors import InputError
from lashwave.workbench import cli

SAMPLES = Path(__file__).parents[3] / "shared" / "data" / "c3d_samples"
RATE, COUNT = 250.0, 40
TIME = np.arange(COUNT) / RATE
PLACE = np.stack(
    [np.stack([s * np.cos(TIME), 0.1 + 0 * TIME, s * np.sin(TIME)], -1) for s in (0.1, 0.5)], 1
)
"""(T, 2, 3) [m] of markers A and B on a straight line that turns at 1 rad/s."""
LINE = "station [mm],diameter [mm],linear_density [g/m]\n0,8,40\n500,5,20\n1000,2,4\n"


def wide(unit: str, scale: float, separator: str = ",") -> str:
    head = ["Time (ms)", *(f"{m}_{a}{unit}" for m in "AB" for a in "XYZ")]
    rows = [[1e3 * t, *(p.ravel() * scale)] for t, p in zip(TIME, PLACE, strict=True)]
    return "\n".join(separator.join(map(str, r)) for r in [head, *rows])


def two_lines() -> str:
    body = [[k + 1, *(1e3 * p.ravel())] for k, p in enumerate(PLACE)]
    rows = [["An export", "", "", "", "", "", ""], ["", "A", "", "", "B", "", ""]]
    rows += [["Frame", "X [mm]", "Y [mm]", "Z [mm]", "X [mm]", "Y [mm]", "Z [mm]"], *body]
    return "\n".join("\t".join(map(str, r)) for r in rows)


def long() -> str:
    rows = [
        f"{t};{'AB'[i]};" + ";".join(f"{v:.7f}".replace(".", ",") for v in p[i])
        for t, p in zip(TIME, PLACE, strict=True)
        for i in range(2)
    ]
    rows = [r.replace(".", ",") for r in rows]
    return "t;label;x;y;z\n" + "\n".join(rows)


SHAPES = {
    "wide, bare, mm by size": wide("", 1e3),
    "wide, cm stated": wide(" [cm]", 100.0),
    "wide, mm in the name, semicolons": wide(" (mm)", 1e3, ";"),
    "two lines, frames": two_lines(),
    "long, decimal commas": long(),
    "as the format wants": "time [s],marker,x [m],y [m],z [m]\n"
    + "\n".join(
        f"{t},{'AB'[i]},{p[i, 0]},{p[i, 1]},{p[i, 2]}"
        for t, p in zip(TIME, PLACE, strict=True)
        for i in (0, 1)
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_becomes_the_same_trial(tmp_path: Path, shape: str, capsys) -> None:
    raw = tmp_path / "raw"
    raw.mkdir()
    (raw / "capture.csv").write_text(SHAPES[shape])
    (raw / "line.csv").write_text(LINE)
    before = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in raw.iterdir()}
    words = ["assemble", str(raw), "--station", "A=10 cm", "--station", "B=0.5"]
    words += ["--set", "markers.sd=0.3 mm", "--set", "markers.rate=250 Hz"]
    assert cli.main([*words, "--out", str(tmp_path / "made")]) == 0, capsys.readouterr().err
    markers = read_trial(tmp_path / "made").markers
    assert markers.labels == ("A", "B") and markers.station.tolist() == [0.1, 0.5]
    assert np.allclose(markers.time - markers.time[0], TIME, atol=1e-9)
    assert np.abs(markers.position - PLACE).max() < 1e-7  # m; 10 nm are written
    assert {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in raw.iterdir()} == before
    kept = tmp_path / "made" / "originals" / "capture.csv"
    assert kept.exists() is (shape != "as the format wants")
    assert not kept.exists() or kept.read_bytes() == (raw / "capture.csv").read_bytes()


def test_a_real_c3d_is_recognised() -> None:
    """Rate and unit by the sample's own name and its SOURCE.md: 140 Hz."""
    if not SAMPLES.is_dir():
        pytest.skip("../shared/data/c3d_samples is not here")
    found = {one.name: one for one in recognise(SAMPLES)}
    good = found["units_metre_140hz.c3d"]
    assert good.kind == "markers" and good.rate == pytest.approx(140.0) and good.labels
    broken = found["empty.c3d"]
    assert broken.kind == "other" and broken.problems


def read_npz(path: Path, where: str, labels: tuple[str, ...] | None, rate: float | None):
    """A reader such as an heir adds: times, labels and places in mm, zeros for gaps."""
    with np.load(path) as stored:
        names, time, place = tuple(stored["labels"]), stored["time"], stored["place"] / 1e3
    wanted = names if labels is None else labels
    position = np.full((time.size, len(wanted), 3), np.nan)
    for i, label in enumerate(wanted):
        if label in names:
            position[:, i] = place[:, names.index(label)]
    zeros_to_gaps(position)
    rate = rate or float(1 / np.diff(time).mean())
    return MarkerSamples(time, rate, wanted, position, names, np.empty(0), np.empty((0, 3)))


def test_one_line_makes_a_new_type_of_marker_file_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(READERS, ".npz", read_npz)
    raw, place = tmp_path / "raw", 1e3 * PLACE
    raw.mkdir()
    place[3, 1] = 0.0
    np.savez(raw / "capture.npz", time=TIME, labels=["A", "B"], place=place)
    (raw / "line.csv").write_text(LINE)
    found = {one.name: one for one in recognise(raw)}["capture.npz"]
    assert (found.kind, found.labels) == ("markers", ["A", "B"])
    assert found.rate == pytest.approx(RATE)
    assert found.coverage["B"] == pytest.approx(1 - 1 / COUNT)
    words = ["assemble", str(raw), "--station", "A=10 cm", "--station", "B=0.5"]
    words += ["--set", "markers.sd=0.3 mm", "--out", str(tmp_path / "made")]
    assert cli.main(words) == 0
    markers = read_trial(tmp_path / "made").markers
    assert np.argwhere(np.isnan(markers.position[..., 0])).tolist() == [[3, 1]]
    assert np.nanmax(np.abs(markers.position - PLACE)) < 1e-12


def test_a_marker_file_of_no_known_type_is_refused_by_name(tmp_path: Path, capsys) -> None:
    raw = tmp_path / "raw"
    raw.mkdir()
    (raw / "capture.csv").write_text(SHAPES["as the format wants"])
    (raw / "line.csv").write_text(LINE)
    words = ["assemble", str(raw), "--station", "A=10 cm", "--station", "B=0.5"]
    words += ["--set", "markers.sd=0.3 mm", "--out", str(tmp_path / "made")]
    assert cli.main(words) == 0
    (tmp_path / "made" / "capture.csv").rename(tmp_path / "made" / "capture.dat")
    text = (tmp_path / "made" / "trial.toml").read_text()
    (tmp_path / "made" / "trial.toml").write_text(text.replace("capture.csv", "capture.dat"))
    with pytest.raises(InputError, match=r"'capture\.dat' is neither \.csv nor \.c3d"):
        read_trial(tmp_path / "made")


def test_faults_come_by_field_and_nothing_is_written(tmp_path: Path, capsys) -> None:
    raw = tmp_path / "raw"
    raw.mkdir()
    (raw / "capture.csv").write_text(wide(" [mm]", 1e3))
    (raw / "line.csv").write_text(LINE)
    described = {
        "schema": 1,
        "trial": {"name": ""},
        "air": {"temperature": "3 kg"},
        "line": {"table": "line.csv"},
        "markers": {"file": "capture.csv", "sd": "0.3 mm", "stations": {"A": "3 m"}},
        "cameras": [{"name": "tip", "points": "no.csv"}],
    }
    done = assemble.write(raw, described, {}, tmp_path / "made")
    assert [fault.field for fault in done.faults] == [
        "cameras.0.points",
        "trial.name",
        "air.temperature",
        "markers.stations.A",
        "cameras.0.rate",
        "cameras.0.size",
        "cameras.0.projection",
        "cameras.0.stations",
    ]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["raw"]
    assert cli.main(["assemble", str(raw), "--json"]) == 2
    said = capsys.readouterr()
    assert "markers.stations" in said.err and json.loads(said.out)["files"][0]["labels"] == [
        "A",
        "B",
    ]


def test_a_form_and_check_find_the_same_faults_all_at_once(tmp_path: Path, capsys) -> None:
    raw = tmp_path / "raw"
    raw.mkdir()
    (raw / "capture.csv").write_text(wide(" [mm]", 1e3))
    (raw / "line.csv").write_text(LINE.replace("0", "x", 1))
    described = {
        "schema": 1,
        "trial": {"name": "bad", "date": "someday", "gravity": [0, 0, 99]},
        "air": {"pressure": "1 kPa", "relative_humidity": 7},
        "line": {"table": "line.csv", "ends": "loose", "droop": [{"station": "1 m"}]},
        "markers": {
            "file": "capture.csv", "sd": "3 s", "mass": "9 kg", "colour": "red",
            "stations": {"A": "0.1 m", "B": "0.5 bar"},
        },
        "cameras": [
            {"name": "a:b", "rate": "2 m", "size": [4], "points": "no.csv", "exposure": "2 s"},
            {"name": "c", "rate": "1 kHz", "shows": "stars", "calibration": "none.toml"},
        ],
        "microphones": [{"file": "gone.wav", "position": [0, 0, 9000]}],
    }  # fmt: skip
    done = assemble.check(raw, described, {}, tmp_path)
    found = [fault.field for fault in done.faults]
    assert len(found) == len(set(found)) and {
        "line.table", "line.ends", "line.droop.0.overhang", "trial.date", "trial.gravity",
        "air.pressure", "air.relative_humidity", "markers.sd", "markers.mass", "markers.colour",
        "markers.stations.B", "cameras.0.name", "cameras.0.rate", "cameras.0.size",
        "cameras.0.points", "cameras.0.projection", "cameras.1.shows", "cameras.1.size",
        "cameras.1.calibration", "cameras.1.points", "microphones.0.file",
        "microphones.0.position", "line.droop.0.drop", "cameras.0.stations",
    } == set(found) - {"cameras.0.exposure"}  # fmt: skip
    (raw / "trial.toml").write_text(assemble.described(described))
    assert cli.main(["check", str(raw), "--json"]) == 2
    said = capsys.readouterr()
    listed = json.loads(said.out)["faults"]
    assert len(listed) == len(said.err.splitlines())
    by_check = {str(one["field"]).replace("[", ".").replace("]", "") for one in listed}
    assert by_check - {"station", "stations"} >= set(found) - {"line.table"}


def test_words() -> None:
    for text, means, unit, label in [
        ("time [s]", "time", "s", None),
        ("Station (mm)", "station", "mm", None),
        ("x_mm", "x", "mm", None),
        ("M01 X [mm]", "x", "mm", "M01"),
        ("M01:pos_z", "z", None, "M01"),
        ("linear_density_sd [g/m]", "linear_density_sd", "g/m", None),
        ("weather", None, None, None),
    ]:
        found = understood(text)
        assert (found.means, found.unit, found.label) == (means, unit, label), text


def test_sequences() -> None:
    names = ["v/f-001.png", "v/f-002.png", "alone.tif", "w/f-1.tif", "w/f-2.tif"]
    assert [p for p, _ in sequences(names)] == ["v/f-*.png", "alone.tif", "w/f-*.tif"]


def test_a_pattern_matches_its_own_sequence_and_no_other(tmp_path: Path) -> None:
    names = [f"v/cam{c}-{k:03d}.png" for c in (1, 2) for k in range(4)]  # a camera's number first
    names += [f"v/cam1-00{k}-dark.png" for k in range(2)]
    names += [f"w/{k:04d}_left.tif" for k in range(3)] + [f"w/{k:04d}_right.tif" for k in range(3)]
    names += [f"x [1]/f{k}.png" for k in range(2)]
    names += [f"y/a{k}.png" for k in range(2)] + [f"y/ab{k}.png" for k in range(2)]
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    found = sequences(sorted(names))
    assert len(found) == 8
    for pattern, own in found:
        assert sorted(glob(pattern, root_dir=tmp_path)) == own, pattern


def test_a_calibration_keeps_its_cameras_name(tmp_path: Path) -> None:
    """Files as `calibrate` names them after a wand: of one stem, each with its camera inside."""
    from lashwave.files.still_files import write_frames
    from lashwave.intake.propose import propose

    for name in ("A", "B"):
        write_frames(tmp_path / f"take-{name}", "{:04d}.png", [np.zeros((8, 8), np.uint16)] * 3, 16)
        said = f'camera = "{name}"\nsize = [8, 8]\nprojection = []\n'
        (tmp_path / f"wand-{name}.toml").write_text(said)
    (tmp_path / "line.csv").write_text(LINE)
    cameras = propose(tmp_path, recognise(tmp_path))["cameras"]
    assert {c["name"]: (c["frames"], c["calibration"]) for c in cameras} == {
        name: (f"take-{name}/*.png", f"wand-{name}.toml") for name in ("A", "B")
    }


def test_smoothed_samples_are_said_and_their_deviation_has_a_floor(tmp_path: Path) -> None:
    """White noise of 0.3 mm, and the same through filters of SciPy."""
    from scipy.signal import butter, filtfilt

    from lashwave.intake.marker_scatter import FLOOR, scatter

    rng = np.random.default_rng(0)
    time = np.arange(1500) / 500.0
    way = np.stack([0.5 * np.sin(4.0 * time + k) for k in range(6)], axis=1)[..., None]
    raw = way * [1.0, 0.5, 0.3] + 3e-4 * rng.standard_normal((1500, 6, 3))
    plain = scatter(raw)
    assert plain is not None and plain.joined == 1 and 2e-4 < plain.sd < 3.1e-4
    for cut in (20.0, 60.0, 120.0):
        low = filtfilt(*butter(2, cut / 250.0), raw, axis=0)
        off = float((low - way * [1.0, 0.5, 0.3])[100:-100].std())
        found = scatter(low)
        assert found is not None and found.joined > 1
        assert found.seen < 0.4 * off  # what its scatter alone would have proposed
        assert found.sd >= max(FLOOR, 0.9 * off)
    table = "time [s]," + ",".join(f"M{i} {c} [m]" for i in range(6) for c in "XYZ") + "\n"
    rows = np.column_stack([time, low.reshape(1500, -1)])
    table += "\n".join(",".join(f"{v:.7f}" for v in row) for row in rows)
    (tmp_path / "markers.csv").write_text(table)
    (one,) = recognise(tmp_path)
    assert one.noise == pytest.approx(found.sd, rel=0.1)
    assert any("samples are smoothed" in text for text in one.problems)


def test_a_bare_line_end_within_a_row_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "m.csv").write_bytes(b"time [s],marker,x [m]\n0.0,M\r01,1.0\n0.1,M01,1.0\n")
    with pytest.raises(InputError, match="line end"):
        read_sheet(tmp_path / "m.csv", "m.csv")


def test_cameras_of_one_folder_get_names_patterns_and_calibrations_of_their_own(
    tmp_path: Path,
) -> None:
    """Three infrared cameras, by beginnings in one folder and by folders of bare numbers."""
    from lashwave.files.still_files import write_frames
    from lashwave.intake.propose import propose

    picture = [np.zeros((8, 8), np.uint16)] * 3
    for start in ("left", "right"):
        write_frames(tmp_path / "ir", f"{start}-{{:04d}}.png", picture, 16)
        (tmp_path / f"ir-{start}.toml").write_text("projection = []\n")
    write_frames(tmp_path / "top", "{:04d}.png", picture, 16)
    (tmp_path / "line.csv").write_text(LINE)
    rows = "frame,feature,u [px],v [px]\n" + "".join(f"{k},tip,1,2\n" for k in range(4))
    (tmp_path / "schlieren.csv").write_text(rows)
    found = recognise(tmp_path)
    for one in found:
        if one.kind == "frames":
            assert len(list(tmp_path.glob(one.name))) == 3, one.name
    cameras = {c["name"]: c for c in propose(tmp_path, found)["cameras"]}
    assert cameras.keys() == {"ir-left", "ir-right", "top", "schlieren"}
    assert cameras["ir-left"]["shows"] == cameras["ir-right"]["shows"] == "dots"
    assert cameras["schlieren"]["shows"] == "schlieren"
    assert cameras["schlieren"]["stations"] == {"tip": "1 m"}


def test_a_station_rounded_to_a_millimetre_is_the_tip_s(tmp_path: Path) -> None:
    from lashwave.files.fields import parse_toml
    from lashwave.files.marker_section import read_stations

    text = b'[stations]\nM1 = "1.849 m"\n'
    assert read_stations(parse_toml(text, "trial.toml"), 1.84872) == {"M1": 1.84872}
    with pytest.raises(InputError, match="lies outside"):
        read_stations(parse_toml(b'[stations]\nM1 = "1.85 m"\n', "trial.toml"), 1.84872)


def test_markers_still_in_images_need_no_file_of_their_own(tmp_path: Path) -> None:
    from lashwave.files.still_files import write_frames

    source = tmp_path / "files"
    source.mkdir()
    (source / "line.csv").write_text(LINE, encoding="utf-8")
    write_frames(source / "ir", "{:04d}.png", [np.zeros((8, 8), np.uint16)] * 3, 16)
    camera = {
        "name": "ir", "rate": "500 Hz", "size": [8, 8], "shows": "dots", "frames": "ir/*.png",
        "projection": [[1.0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1]],
        "clock": {"offset": "0 s", "offset_sd": "0 s"},
    }  # fmt: skip
    described = {
        "schema": 1, "trial": {"name": "t"}, "line": {"table": "line.csv"},
        "markers": {"file": "markers.csv", "stations": {"A": "0.1 m", "B": "0.5 m"}},
        "cameras": [camera],
    }  # fmt: skip
    assert assemble.write(source, described, {}, tmp_path / "trial").faults == []
    assert (tmp_path / "trial" / "ir" / "0002.png").exists()
    del camera["frames"]
    faults = assemble.write(source, described, {}, tmp_path / "other").faults
    assert "markers.file" in {fault.field for fault in faults}
