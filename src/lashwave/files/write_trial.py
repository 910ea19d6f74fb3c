"""A `Trial` as a trial folder that `read_trial` reads back the same."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Markers
from lashwave.quantities.trial import Trial

METRE_DIGITS, SECOND_DIGITS, PIXEL_DIGITS = 8, 9, 5
"""Decimals written: 10 nm, 1 ns and 1e-5 px, far below what any instrument tells apart."""


def write_trial(folder: Path, trial: Trial) -> None:
    """Write trial.toml and the CSV files that it names.

    Parameters
    ----------
    folder : made where it does not exist; it must be empty.
    trial : what was measured. Microphones are left out, since the noun does not hold their sound.

    Raises
    ------
    FileExistsError
        Where the folder holds anything.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise FileExistsError(f"{folder} is not empty")
    lines = ["schema = 1", "[trial]", *_head(trial), "", *_air(trial), "", *_line(trial.line)]
    _write_line(folder / "line.csv", trial.line)
    lines += ["", *_markers(trial.markers)]
    _write_markers(folder / "markers.csv", trial.markers)
    for index, camera in enumerate(trial.cameras):
        names = _features(camera, trial.line.length)
        stem = _stem(camera.name, index)
        lines += ["", *_camera(camera, stem, names)]
        _write_points(folder / f"{stem}.csv", camera, names)
        if camera.flashes.size:
            _write_rows(
                folder / f"{stem}-flashes.csv", ["frame"], ([int(f)] for f in camera.flashes)
            )
    (folder / "trial.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _head(trial: Trial) -> list[str]:
    head = [f"name = {_text(trial.name)}", f"gravity = {_numbers(trial.gravity)}"]
    for key in ("specimen", "thrower", "date"):
        value = getattr(trial, key)
        if value is not None:
            head.append(f"{key} = {_text(value)}")
    return head


def _air(trial: Trial) -> list[str]:
    air = trial.air
    return [
        "[air]",
        _quantity("temperature", air.temperature, "K"),
        _quantity("pressure", air.pressure, "Pa"),
        f"relative_humidity = {_number(air.relative_humidity)}",
    ]


def _line(line: Line) -> list[str]:
    rows = [
        "[line]",
        'table = "line.csv"',
        _quantity("handle_length", line.handle_length, "m"),
        f"ends = {_text(line.ends)}",
    ]
    if line.tuft is not None:
        tuft = line.tuft
        rows.append(
            f'tuft = {{ area = "{_number(tuft.area)} m^2", '
            f'area_sd = "{_number(tuft.area_sd)} m^2", mass = "{_number(tuft.mass)} kg" }}'
        )
    for droop in line.droops:
        rows += ["[[line.droop]]", _quantity("station", droop.station, "m")]
        rows.append(_quantity("overhang", droop.overhang, "m"))
        unit = "m" if droop.drop is not None else "rad"
        if droop.drop is not None:
            rows.append(_quantity("drop", droop.drop, "m"))
        elif droop.angle is not None:
            rows.append(_quantity("angle", droop.angle, "rad"))
        if np.isfinite(droop.drop_sd):
            rows.append(_quantity("drop_sd", droop.drop_sd, unit))
    return rows


def _write_line(path: Path, line: Line) -> None:
    units = {
        "station": "m",
        "diameter": "m",
        "linear_density": "kg/m",
        "bending_stiffness": "N m^2",
        "axial_stiffness": "N",
    }
    heading, columns = [], []
    for name, unit in units.items():
        values = getattr(line, name)
        if values is not None:
            heading.append(f"{name} [{unit}]")
            columns.append(values)
        if name in line.column_sd:
            heading.append(f"{name}_sd [{unit}]")
            columns.append(line.column_sd[name])
    _write_rows(path, heading, ([_number(v) for v in row] for row in zip(*columns, strict=True)))


def _markers(markers: Markers) -> list[str]:
    rows = ["[markers]", 'file = "markers.csv"', _quantity("sd", float(markers.sd.flat[0]), "m")]
    for key, unit in (("mass", "kg"), ("diameter", "m"), ("station_sd", "m"), ("stand_off", "m")):
        rows.append(_quantity(key, getattr(markers, key), unit))
    rows.append("[markers.stations]")
    named = list(zip(markers.labels, markers.station, strict=True))
    rows += [f'{_text(k)} = "{_number(s)} m"' for k, s in named if np.isfinite(s)]
    handle = [label for label, station in named if np.isnan(station)]
    if handle:
        rows += ["[markers.handle]", f"labels = [{', '.join(_text(v) for v in handle)}]"]
    return rows


def _write_markers(path: Path, markers: Markers) -> None:
    uneven = bool((markers.sd != markers.sd.flat[0]).any())
    heading = ["time [s]", "marker", "x [m]", "y [m]", "z [m]"] + (["sd [m]"] if uneven else [])

    def rows() -> Iterable[list[Any]]:
        for k, moment in enumerate(markers.time):
            for i in np.flatnonzero(np.isfinite(markers.position[k]).all(axis=1)):
                row = [round(float(moment), SECOND_DIGITS), markers.labels[i]]
                row += [round(float(v), METRE_DIGITS) for v in markers.position[k, i]]
                yield [*row, _number(markers.sd[k, i])] if uneven else row
        sd = [_number(float(np.median(markers.sd)))] if uneven else []
        for moment, place in zip(markers.unlabelled_time, markers.unlabelled_position, strict=True):
            xyz = [round(float(v), METRE_DIGITS) for v in place]
            yield [round(float(moment), SECOND_DIGITS), "", *xyz, *sd]

    _write_rows(path, heading, rows())


def _features(camera: Camera, length: float) -> dict[float, str]:
    """A name for each station that the camera saw."""
    names = {}
    for i, station in enumerate(np.unique(camera.station)):
        names[float(station)] = "tip" if station == length else f"p{i + 1}"
    return names


def _camera(camera: Camera, stem: str, names: dict[float, str]) -> list[str]:
    clock = camera.clock
    rows = [
        "[[cameras]]",
        f"name = {_text(camera.name)}",
        _quantity("rate", camera.rate, "Hz"),
        f"size = [{camera.size[0]}, {camera.size[1]}]",
        _quantity("exposure", camera.exposure, "s"),
        f"shows = {_text(camera.shows)}",
        f"projection = {_matrix(camera.projection)}",
        _quantity("registration_sd", camera.registration_sd, "px"),
    ]
    if camera.intrinsics is not None:
        rows.append(f"intrinsics = {_matrix(camera.intrinsics)}")
        if camera.distortion is not None:
            rows.append(f"distortion = {_numbers(camera.distortion)}")
    rows += [f'points = "{stem}.csv"', _quantity("sd", camera.sd, "px")]
    rows.append(
        f'clock = {{ offset = "{_number(clock.offset)} s", offset_sd = '
        f'"{_number(clock.offset_sd)} s", drift_sd = {_number(clock.drift_sd)} }}'
    )
    if camera.flashes.size:
        rows.append(f'flashes = "{stem}-flashes.csv"')
    rows.append("[cameras.stations]")
    return rows + [f'{name} = "{_number(station)} m"' for station, name in names.items()]


def _write_points(path: Path, camera: Camera, names: dict[float, str]) -> None:
    uneven = bool((camera.point_sd != camera.sd).any())
    heading = ["frame", "feature", "u [px]", "v [px]"] + (["sd [px]"] if uneven else [])

    def rows() -> Iterable[list[Any]]:
        for i, frame in enumerate(camera.frame):
            row: list[Any] = [int(frame), names[float(camera.station[i])]]
            row += [round(float(v), PIXEL_DIGITS) for v in camera.uv[i]]
            yield [*row, _number(camera.point_sd[i])] if uneven else row

    _write_rows(path, heading, rows())


def _write_rows(path: Path, heading: list[str], rows: Iterable[list[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(heading)
        writer.writerows(rows)


def _stem(name: str, index: int) -> str:
    """A file name for a camera: its own where that is plain."""
    plain = name.isascii() and all(c.isalnum() or c in "-_" for c in name)
    taken = {"line", "markers"}
    return name if plain and name not in taken else f"camera-{index + 1}"


def _quantity(key: str, value: float, unit: str) -> str:
    return f'{key} = "{_number(value)} {unit}"'


def _number(value: float) -> str:
    return repr(float(value))


def _numbers(values: NDArray[np.float64]) -> str:
    return "[" + ", ".join(_number(v) for v in values) + "]"


def _matrix(values: NDArray[np.float64]) -> str:
    return "[" + ", ".join(_numbers(row) for row in values) + "]"


def _text(value: str) -> str:
    """A quoted TOML string or key: JSON's escapes are TOML's."""
    return json.dumps(value, ensure_ascii=False)
