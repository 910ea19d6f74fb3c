"""Every kind of broken trial folder: status 2, one line that says where, and nothing written.

The kinds are the ones that the trial format names as errors, those of the TOML 1.0 and RFC 4180
(CSV) grammars, and the hostile paths of CWE-22 and CWE-59.
"""

# ruff: noqa: E501 - one kind a line reads best
from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from lashwave.files.trial_folder import read_trial
from lashwave.workbench.cli import main

TRIAL = """schema = 1
[trial]
name = "bench-07"
date = 2026-05-04
gravity = [0.0, 0.0, -9.81]
[air]
temperature = "21.5 degC"
pressure = "101.1 kPa"
relative_humidity = 0.45
[line]
table = "line.csv"
handle_length = "0.20 m"
ends = "free"
tuft = { area = "40 mm^2", area_sd = "10 mm^2", mass = "0.02 g" }
[[line.droop]]
station = "1.2 m"
overhang = "80 mm"
drop = "31 mm"
[markers]
file = "markers.csv"
sd = "0.3 mm"
mass = "0.3 g"
[markers.stations]
M01 = "0.05 m"
M02 = "1.0 m"
M03 = "2.0 m"
[markers.handle]
labels = ["H1"]
[[cameras]]
name = "tip-view"
rate = "20 kHz"
size = [1024, 1024]
exposure = "1 us"
projection = [[2000.0, 0, 0, 500], [0, 0, -2000.0, 500], [0, 0, 0, 1]]
points = "tip.csv"
sd = "0.4 px"
clock = { offset = "0 s", offset_sd = "2 ms", drift_sd = 5e-6 }
flashes = "flashes.csv"
[cameras.stations]
tip = "2.40 m"
[[microphones]]
file = "mic1.wav"
position = [1.2, -0.4, 1.5]
"""
LINE = """station [m],diameter [mm],linear_density [g/m],bending_stiffness [N m^2]
0,8,30,1e-3
1.2,5,15,4e-4
2.4,1,1,1e-6
"""
STATIONS = {"M01": 0.05, "M02": 1.0, "M03": 2.0, "H1": 0.1}


def build(folder: Path) -> None:
    """A small trial that is valid in every field."""
    folder.mkdir()
    (folder / "trial.toml").write_text(TRIAL)
    (folder / "line.csv").write_text(LINE)
    rows = [
        f"{k * 0.002:.3f},{label},{1000 * s:.1f},{0.1 * k:.1f},0.0"
        for k in range(30)
        for label, s in STATIONS.items()
    ]
    (folder / "markers.csv").write_text(
        "\n".join(["time [s],marker,x [mm],y [mm],z [mm]", *rows]) + "\n"
    )
    points = [f"{k},tip,{3 * k},{400 + k}" for k in range(40)]
    (folder / "tip.csv").write_text("\n".join(["frame,feature,u [px],v [px]", *points]) + "\n")
    (folder / "flashes.csv").write_text("frame\n0\n40\n80\n")
    (folder / "mic1.wav").write_bytes(b"RIFF")


Break = Callable[[Path], None]


def swap(file: str, old: str, new: str, count: int = 1) -> Break:
    """A mutation: replace text that must be there."""

    def change(folder: Path) -> None:
        text = (folder / file).read_text()
        assert old in text
        (folder / file).write_text(text.replace(old, new, count))

    return change


def trial(old: str, new: str) -> Break:
    return swap("trial.toml", old, new)


def content(file: str, data: str | bytes) -> Break:
    """A mutation: other content."""
    raw = data.encode() if isinstance(data, str) else data
    return lambda folder: (folder / file).write_bytes(raw) and None


def recode(file: str, encoding: str) -> Break:
    def change(folder: Path) -> None:
        text = (folder / file).read_text() + "# \u00e9\n"
        (folder / file).write_bytes(text.encode(encoding))

    return change


def remove(file: str) -> Break:
    return lambda folder: (folder / file).unlink()


def link(file: str, target: str) -> Break:
    def change(folder: Path) -> None:
        (folder / file).unlink()
        (folder / file).symlink_to(target)

    return change


def outside(folder: Path) -> None:
    """A link to a good file that lies outside the folder."""
    (folder.parent / "line.csv").write_text(LINE)
    (folder / "line.csv").unlink()
    (folder / "line.csv").symlink_to(folder.parent / "line.csv")


def folder_link(folder: Path) -> None:
    """A folder in the trial that is a link to its outside."""
    (folder.parent / "elsewhere").mkdir()
    (folder.parent / "elsewhere" / "line.csv").write_text(LINE)
    (folder / "data").symlink_to(folder.parent / "elsewhere")
    trial('"line.csv"', '"data/line.csv"')(folder)


def pipe(folder: Path) -> None:
    (folder / "line.csv").unlink()
    os.mkfifo(folder / "line.csv")


def directory(folder: Path) -> None:
    (folder / "line.csv").unlink()
    (folder / "line.csv").mkdir()


def few(folder: Path) -> None:
    lines = (folder / "markers.csv").read_text().splitlines()
    (folder / "markers.csv").write_text("\n".join(lines[: 1 + 4 * 12]) + "\n")


def mend(text: str) -> Break:
    return lambda folder: (folder.parent / f"{folder.name}.mends.toml").write_text(text) and None


def c3d(data: bytes) -> Break:
    def change(folder: Path) -> None:
        trial('"markers.csv"', '"markers.c3d"')(folder)
        (folder / "markers.c3d").write_bytes(data)

    return change


SECOND_CAMERA = TRIAL[TRIAL.index("[[cameras]]") : TRIAL.index("[[microphones]]")]
PROJECTION = "projection = [[2000.0, 0, 0, 500], [0, 0, -2000.0, 500], [0, 0, 0, 1]]"
MARKERS, POINTS = "markers.csv", "tip.csv"

# What is broken, how, the file that the line must name, the field that it must name.
BROKEN: dict[str, tuple[Break, str, str]] = {
    # trial.toml as a file
    "no description": (remove("trial.toml"), "trial.toml", "TRIAL"),
    "empty description": (content("trial.toml", ""), "trial.toml", "TRIAL"),
    "description is cut": (content("trial.toml", TRIAL[:200]), "trial.toml, line", "syntax"),
    "description is binary": (content("trial.toml", bytes(range(256))), "trial.toml", "encoding"),
    "description is UTF-16": (recode("trial.toml", "utf-16"), "trial.toml", "encoding"),
    "description is Latin-1": (recode("trial.toml", "latin-1"), "trial.toml, line", "encoding"),
    "description is a link to itself": (
        link("trial.toml", "trial.toml"), "trial.toml", "TRIAL",
    ),
    "description nests without end": (
        content("trial.toml", "a = " + "[" * 50_000), "trial.toml", "syntax",
    ),
    "key twice": (trial("date = ", 'name = "again"\ndate = '), "trial.toml, line 4", "syntax"),
    "quote not closed": (trial('name = "bench-07"', 'name = "bench'), "trial.toml, line", "syntax"),
    # schema and heads
    "no schema": (trial("schema = 1\n", ""), "trial.toml", "schema"),
    "later schema": (trial("schema = 1", "schema = 2"), "trial.toml, line 1", "schema"),
    "schema is true": (trial("schema = 1", "schema = true"), "trial.toml, line 1", "schema"),
    "unknown table": (trial("[air]", "[airs]"), "trial.toml, line 6", "airs"),
    "unknown field": (trial("handle_length", "handel_length"), "line 12", "line.handel_length"),
    "no trial table": (trial("[trial]", "[air2]"), "trial.toml", "air2"),
    "no name": (trial('name = "bench-07"\n', ""), "trial.toml, line 2", "trial.name"),
    "name is a number": (trial('"bench-07"', "7"), "trial.toml, line 3", "trial.name"),
    "name holds a newline": (trial('"bench-07"', '"a\\nb"'), "trial.toml, line 3", "trial.name"),
    "gravity is two numbers": (trial("[0.0, 0.0, -9.81]", "[0.0, -9.81]"), "line 5", "trial.gravity"),
    "gravity is nan": (trial("-9.81", "nan"), "trial.toml, line 5", "trial.gravity"),
    "gravity in cm/s2": (trial("-9.81", "-981.0"), "trial.toml, line 5", "trial.gravity"),
    "trial is a list": (trial("[trial]", "[[trial]]"), "trial.toml", "trial"),
    # air
    "temperature in metres": (trial("21.5 degC", "21.5 m"), "line 7", "air.temperature"),
    "temperature without unit": (trial('"21.5 degC"', '"21.5"'), "line 7", "air.temperature"),
    "temperature bare in Celsius": (trial('"21.5 degC"', "21.5"), "line 7", "air.temperature"),
    "unknown unit": (trial("101.1 kPa", "101.1 kPascalles"), "line 8", "air.pressure"),
    "unit that is code": (trial("kPa", "__import__('os')"), "line 8", "air.pressure"),
    "unit that never ends": (trial("kPa", "m**9999999999"), "line 8", "air.pressure"),
    "humidity in percent": (trial("0.45", "45"), "line 9", "air.relative_humidity"),
    "humidity is inf": (trial("0.45", "inf"), "line 9", "air.relative_humidity"),
    "pressure is a list": (trial('"101.1 kPa"', "[1, 2]"), "line 8", "air.pressure"),
    # line
    "no line table": (trial('table = "line.csv"\n', ""), "trial.toml, line 10", "line.table"),
    "line file is absent": (remove("line.csv"), "trial.toml, line 11", "line.table"),
    "line file is empty": (content("line.csv", ""), "trial.toml, line 11", "line.table"),
    "line file is a folder": (directory, "trial.toml, line 11", "line.table"),
    "line file is a pipe": (pipe, "trial.toml, line 11", "line.table"),
    "line file is a link outwards": (outside, "trial.toml, line 11", "line.table"),
    "line file in a linked folder": (folder_link, "trial.toml, line 11", "line.table"),
    "path climbs out": (trial('"line.csv"', '"../line.csv"'), "line 11", "line.table"),
    "path is absolute": (trial('"line.csv"', '"/etc/passwd"'), "line 11", "line.table"),
    "path goes home": (trial('"line.csv"', '"~/line.csv"'), "line 11", "line.table"),
    "path holds a NUL": (trial('"line.csv"', '"a\\u0000b"'), "line 11", "line.table"),
    "path is endless": (trial('"line.csv"', f'"{"a" * 5000}"'), "line 11", "line.table"),
    "path has backslashes": (trial('"line.csv"', "'..\\line.csv'"), "line 11", "line.table"),
    "line has only a heading": (content("line.csv", LINE.split("\n")[0]), "line.csv", "rows"),
    "line has one row": (content("line.csv", "\n".join(LINE.split("\n")[:2])), "line.csv", "station"),
    "stations run back": (swap("line.csv", "1.2,5", "2.6,5"), "line.csv, line 4", "station"),
    "stations begin late": (swap("line.csv", "0,8,30", "0.1,8,30"), "line.csv, line 2", "station"),
    "line 2.4 km long": (swap("line.csv", "station [m]", "station [km]"), "line.csv", "station"),
    "diameter below zero": (swap("line.csv", "1.2,5", "1.2,-5"), "line.csv, line 3", "diameter"),
    "diameter in metres": (swap("line.csv", "[mm]", "[m]"), "line.csv, line 2", "diameter"),
    "diameter in grams": (swap("line.csv", "[mm]", "[g]"), "line.csv, line 1", "diameter"),
    "no column of density": (
        swap("line.csv", "linear_density", "lin_dens"), "line.csv, line 1", "linear_density",
    ),
    "column of density misspelt": (
        swap("line.csv", "linear_density", "linear_densty"), "line.csv, line 1", "linear_densty",
    ),
    "optional column misspelt": (
        swap("line.csv", "bending_stiffness", "bending_stifness"), "line.csv", "bending_stifness",
    ),
    "column twice": (swap("line.csv", "diameter [mm]", "station [m]"), "line.csv, line 1", "station"),
    "stiffness is text": (swap("line.csv", "4e-4", "soft"), "line.csv, line 3", "bending_stiffness"),
    "stiffness is nan": (swap("line.csv", "4e-4", "nan"), "line.csv, line 3", "bending_stiffness"),
    "decimal commas": (swap("line.csv", "1.2,5", "1,2,5"), "line.csv, line 3", "row"),
    "semicolons": (
        content("line.csv", LINE.replace(",", ";")), "line.csv, line 1", "station",
    ),
    "brackets not closed": (swap("line.csv", "[mm]", "[mm"), "line.csv, line 1", "diameter [mm"),
    "old line ends": (content("line.csv", LINE.replace("\n", "\r")), "line.csv", "heading"),
    "line file is Latin-1": (
        content("line.csv", LINE.replace("8,30", "8,30\xb5").encode("latin-1")),
        "line.csv, line 2", "encoding",
    ),
    "handle longer than the line": (trial('"0.20 m"', '"3 m"'), "line 12", "line.handle_length"),
    "handle below zero": (trial('"0.20 m"', '"-0.2 m"'), "line 12", "line.handle_length"),
    "ends tied": (trial('"free"', '"tied"'), "trial.toml, line 13", "line.ends"),
    "tuft area in metres": (trial("40 mm^2", "40 mm"), "trial.toml, line 14", "line.tuft.area"),
    "tuft is text": (
        trial('{ area = "40 mm^2", area_sd = "10 mm^2", mass = "0.02 g" }', '"big"'),
        "trial.toml, line 14", "line.tuft",
    ),
    "drop and angle": (trial('"31 mm"', '"31 mm"\nangle = "40 deg"'), "line 18", "line.droop[0].drop"),
    "neither drop nor angle": (trial('drop = "31 mm"\n', ""), "line 15", "line.droop[0].drop"),
    "drop longer than overhang": (trial("31 mm", "81 mm"), "line 18", "line.droop[0].drop"),
    "droop off the line": (trial('"1.2 m"', '"3.2 m"'), "line 16", "line.droop[0].station"),
    # markers
    "no markers": (
        trial(TRIAL[TRIAL.index("[markers]") : TRIAL.index("[[cameras]]")], ""), "trial.toml", "markers",
    ),
    "marker sd missing": (trial('sd = "0.3 mm"\n', ""), "trial.toml, line 19", "markers.sd"),
    "marker sd of zero": (trial("0.3 mm", "0 mm"), "trial.toml, line 21", "markers.sd"),
    "marker mass in metres": (trial("0.3 g", "0.3 m"), "trial.toml, line 22", "markers.mass"),
    "marker file of a kind unknown": (trial('"markers.csv"', '"mic1.wav"'), "line 20", "markers.file"),
    "station beyond the tip": (trial('"2.0 m"', '"2.5 m"'), "line 26", "markers.stations.M03"),
    "station in millimetres bare": (trial('"1.0 m"', "1000"), "line 25", "markers.stations.M02"),
    "no stations": (
        trial('M01 = "0.05 m"\nM02 = "1.0 m"\nM03 = "2.0 m"\n', ""), "line 23", "markers.stations",
    ),
    "stations of labels not in the file": (
        lambda f: (f / MARKERS).write_text((f / MARKERS).read_text().replace("M0", "X0")) and None,
        "trial.toml", "markers.stations",
    ),
    "stations swapped": (
        trial('M02 = "1.0 m"\nM03 = "2.0 m"', 'M03 = "0.5 m"\nM02 = "2.0 m"'),
        "trial.toml, line", "markers.stations",
    ),
    "hostile label": (trial("M03 =", '"M\\u001b[2J" ='), "trial.toml", "markers.stations"),
    "handle label on the line too": (trial('["H1"]', '["M01"]'), "line 28", "markers.handle.labels"),
    "handle labels are text": (trial('["H1"]', '"H1"'), "line 28", "markers.handle.labels"),
    "marker file is absent": (remove(MARKERS), "trial.toml, line 20", "markers.file"),
    "marker file is cut in a row": (
        lambda f: (f / MARKERS).write_text((f / MARKERS).read_text().rsplit(",", 1)[0]) and None,
        "markers.csv, line", "row",
    ),
    "marker file is a picture": (
        content(MARKERS, b"\x89PNG\r\n\x1a\n" + bytes(range(256))), "markers.csv", "encoding",
    ),
    "marker file holds a NUL": (swap(MARKERS, "M02", "M0\0"), "markers.csv, line 3", "encoding"),
    "no time column": (swap(MARKERS, "time [s]", "moment [s]"), "markers.csv, line 1", "time"),
    "time in metres": (swap(MARKERS, "time [s]", "time [m]"), "markers.csv, line 1", "time"),
    "coordinate is nan": (swap(MARKERS, "M02,1000.0", "M02,nan"), "markers.csv, line 3", "x"),
    "coordinate is inf": (swap(MARKERS, "M02,1000.0", "M02,inf"), "markers.csv, line 3", "x"),
    "coordinate is blank": (swap(MARKERS, "M02,1000.0", "M02,"), "markers.csv, line 3", "x"),
    "coordinates called metres": (
        swap(MARKERS, "x [mm],y [mm],z [mm]", "x,y,z"), "markers.csv, line", "x",
    ),
    "coordinates called centimetres": (
        swap(MARKERS, "x [mm],y [mm],z [mm]", "x [cm],y [cm],z [cm]"), "trial.toml", "markers.stations",
    ),
    "row twice": (
        swap(MARKERS, "0.002,M02", "0.000,M02,1000.0,0.0,0.0\n0.002,M02"), "markers.csv", "marker",
    ),
    "time off the rate": (swap(MARKERS, "0.030,M02", "0.0305,M02"), "markers.csv, line 63", "time"),
    "time jumps": (swap(MARKERS, "0.058,H1", "5800.0,H1"), "markers.csv, line 121", "time"),
    "times all one": (
        lambda f: (f / MARKERS).write_text(
            "time,marker,x,y,z\n" + "".join(f"0.1,M{k},0,0,0\n" for k in range(30))
        ) and None,
        "markers.csv", "time",
    ),
    "twelve samples": (few, "markers.csv", "time"),
    "times called milliseconds": (swap(MARKERS, "time [s]", "time [us]"), "markers.csv", "time"),
    "quote not closed in a table": (swap(MARKERS, "M02", '"M02'), "markers.csv, line 3", "row"),
    "C3D is text": (c3d(b"time,marker,x,y,z\n" * 40), "markers.c3d", "C3D header"),
    "C3D is a stub": (c3d(b"\x02\x50" + bytes(300)), "markers.c3d", "C3D header"),
    "C3D is zeros": (c3d(bytes(5000)), "markers.c3d", "C3D header"),
    "C3D points outside itself": (c3d(b"\xff\x50" + bytes(2000)), "markers.c3d", "C3D header"),
    # cameras
    "camera is no list": (trial("[[cameras]]", "[cameras]"), "trial.toml", "cameras"),
    "no camera rate": (trial('rate = "20 kHz"\n', ""), "line 29", "cameras[0].rate"),
    "rate in seconds": (trial("20 kHz", "20 ms"), "line 31", "cameras[0].rate"),
    "size of three": (trial("[1024, 1024]", "[1024, 1024, 3]"), "line 32", "cameras[0].size"),
    "size of zero": (trial("[1024, 1024]", "[0, 1024]"), "line 32", "cameras[0].size"),
    "exposure longer than a frame": (trial("1 us", "1 ms"), "line 33", "cameras[0].exposure"),
    "no projection": (trial(PROJECTION + "\n", ""), "line 29", "cameras[0].projection"),
    "projection of 2 rows": (
        trial("[0, 0, -2000.0, 500], [0, 0, 0, 1]]", "[0, 0, 0, 1]]"), "line 34", "cameras[0].projection",
    ),
    "projection onto a line": (trial("0, -2000.0, 500", "0, 0, 500"), "line 34", "cameras[0].projection"),
    "projection of text": (trial("[[2000.0,", '[["2000",'), "line 34", "cameras[0].projection"),
    "distortion without intrinsics": (
        trial(PROJECTION, PROJECTION + "\ndistortion = [0, 0, 0, 0, 0.0]"), "trial.toml", "intrinsics",
    ),
    "calibration beside a projection": (
        trial(PROJECTION, PROJECTION + '\ncalibration = "c.toml"'), "line 34", "cameras[0].projection",
    ),
    "calibration is absent": (
        trial(PROJECTION, 'calibration = "c.toml"'), "line 34", "calibration",
    ),
    "shows a film": (trial("exposure", 'shows = "film"\nexposure'), "line 33", "cameras[0].shows"),
    "no points and no images": (trial('points = "tip.csv"\n', ""), "line 29", "cameras[0].points"),
    "points are absent": (remove(POINTS), "line 35", "cameras[0].points"),
    "images outside": (
        trial("exposure", 'frames = "../*.tif"\nexposure'), "line 33", "cameras[0].frames",
    ),
    "clock in metres": (trial('"0 s"', '"0 m"'), "line 37", "cameras[0].clock.offset"),
    "clock of another field": (trial("offset_sd", "offset_std"), "line 37", "cameras[0].clock.offset_std"),
    "two cameras of one name": (trial("[[microphones]]", SECOND_CAMERA + "[[microphones]]"),
        "line 42", "cameras[1].name"),
    "feature beyond the tip": (trial('"2.40 m"', '"2.41 m"'), "line 40", "cameras[0].stations.tip"),
    "frame below zero": (swap(POINTS, "\n5,tip", "\n-5,tip"), "tip.csv, line 7", "frame"),
    "frame of a half": (swap(POINTS, "\n5,tip", "\n5.5,tip"), "tip.csv, line 7", "frame"),
    "frame beyond counting": (swap(POINTS, "\n5,tip", "\n5e14,tip"), "tip.csv, line 7", "frame"),
    "point twice": (swap(POINTS, "\n5,tip", "\n4,tip"), "tip.csv, line 7", "frame"),
    "point far outside the image": (swap(POINTS, "tip,15,", "tip,9000,"), "tip.csv, line 7", "u"),
    "point in metres": (swap(POINTS, "u [px]", "u [m]"), "tip.csv, line 1", "u"),
    "flashes are words": (content("flashes.csv", "frame\nfirst\n"), "flashes.csv, line 2", "frame"),
    "flash twice": (content("flashes.csv", "frame\n4\n4\n"), "flashes.csv, line 3", "frame"),
    # microphones and mends
    "microphone is absent": (remove("mic1.wav"), "trial.toml, line", "microphones[0].file"),
    "microphone in the plane": (trial("[1.2, -0.4, 1.5]", "[1.2, -0.4]"), "line", "microphones[0].position"),
    "mend of an unknown kind": (
        mend('[[mend]]\nkind = "wish"\n'), "trial.mends.toml, line 2", "mend[0].kind",
    ),
    "mend of an unknown marker": (
        mend('[[mend]]\nkind = "reject-marker"\nmarker = "M9"\n'), "mends.toml, line 3", "mend[0].marker",
    ),
    "mend is no TOML": (mend("kind: wish\n"), "trial.mends.toml, line 1", "syntax"),
}  # fmt: skip


def fingerprint(place: Path) -> dict[str, str]:
    """Name, kind and content of everything below a folder."""
    seen = {}
    for path in sorted(place.rglob("*")):
        key = str(path.relative_to(place))
        if path.is_symlink():
            seen[key] = f"link to {os.readlink(path)}"
        elif path.is_file():
            seen[key] = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            seen[key] = "no file"
    return seen


def check_line(line: str, file: str, field: str) -> None:
    """One line: file first, then the field, then what is wrong."""
    assert line.endswith("\n") and line.count("\n") == 1, line
    assert all(c.isprintable() for c in line[:-1]), repr(line)
    place = line.split(":", 1)[0]
    assert file in line, line
    assert field in line, line
    assert place.strip() and len(line) < 400, line


def test_there_are_kinds_enough() -> None:
    assert len(BROKEN) >= 80


def test_the_folder_is_good_before_it_is_broken(tmp_path: Path) -> None:
    build(tmp_path / "trial")
    trial = read_trial(tmp_path / "trial")
    assert trial.markers.labels == ("M01", "M02", "M03", "H1")
    assert trial.cameras[0].frame.size == 40


@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_trial_gives_one_line_and_nothing_else(
    kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    mutate, file, field = BROKEN[kind]
    folder, out = tmp_path / "trial", tmp_path / "answer"
    build(folder)
    mutate(folder)
    before = fingerprint(tmp_path)
    status = main(["reconstruct", str(folder), "--out", str(out), "--quiet"])
    printed = capfd.readouterr()
    assert status == 2, printed.err
    assert printed.out == ""
    check_line(printed.err, file, field)
    assert not out.exists()
    assert fingerprint(tmp_path) == before


@pytest.mark.parametrize("kind", ["no description", "line file is a pipe", "coordinate is nan"])
def test_the_command_itself_says_the_same(kind: str, tmp_path: Path) -> None:
    mutate, file, field = BROKEN[kind]
    folder, out = tmp_path / "trial", tmp_path / "answer"
    build(folder)
    mutate(folder)
    code = "import sys; from lashwave.workbench.cli import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", code, "reconstruct", str(folder), "--out", str(out)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    check_line(done.stderr, file, field)
    assert not out.exists()


def test_a_folder_that_is_not_there(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    status = main(["reconstruct", str(tmp_path / "none"), "--out", str(tmp_path / "answer")])
    assert status == 2
    assert capfd.readouterr().err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
