"""A `Trial` as a trial folder that `read_trial` reads back the same."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from lashwave.files.sighting_tables import (
    write_flashes,
    write_fronts,
    write_markers,
    write_onsets,
    write_points,
    write_rows,
    write_tuft_widths,
)
from lashwave.files.toml_text import matrix, number, numbers, quantity, text
from lashwave.quantities import Camera, Line, Markers, Microphone, Trial


def write_trial(folder: Path, trial: Trial, sounds: Path | None = None) -> None:
    """Write trial.toml and the CSV files that it names.

    Parameters
    ----------
    folder : made where it does not exist; it must be empty.
    trial : what was measured.
    sounds : folder that the microphones' files are copied from. Without it microphones and onsets
        are left out, since the noun does not hold their sound.

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
    write_markers(folder / "markers.csv", trial.markers)
    for index, camera in enumerate(trial.cameras):
        names = _features(camera, trial.line.length)
        stem = _stem(camera.name, index)
        lines += ["", *_camera(camera, stem, names)]
        _write_points(folder / f"{stem}.csv", camera, names)
        if camera.flashes.size:
            write_flashes(folder / f"{stem}-flashes.csv", camera.flashes)
        if camera.fronts is not None:
            write_fronts(folder / f"{stem}-fronts.csv", camera.fronts)
        if camera.tuft is not None:
            write_tuft_widths(folder / f"{stem}-tuft.csv", camera.tuft)
    if sounds is not None:
        for microphone in trial.microphones:
            lines += ["", *_microphone(microphone)]
            (folder / microphone.file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(sounds / microphone.file, folder / microphone.file)
        if trial.onsets:
            write_onsets(folder / "onsets.csv", trial.onsets)
    (folder / "trial.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _head(trial: Trial) -> list[str]:
    head = [f"name = {text(trial.name)}", f"gravity = {numbers(trial.gravity)}"]
    for key in ("specimen", "thrower", "date"):
        value = getattr(trial, key)
        if value is not None:
            head.append(f"{key} = {text(value)}")
    return head


def _air(trial: Trial) -> list[str]:
    air = trial.air
    return [
        "[air]",
        quantity("temperature", air.temperature, "K"),
        quantity("pressure", air.pressure, "Pa"),
        f"relative_humidity = {number(air.relative_humidity)}",
    ]


def _line(line: Line) -> list[str]:
    rows = [
        "[line]",
        'table = "line.csv"',
        quantity("handle_length", line.handle_length, "m"),
        f"ends = {text(line.ends)}",
    ]
    if line.tuft is not None:
        tuft = line.tuft
        rows.append(
            f'tuft = {{ area = "{number(tuft.area)} m^2", '
            f'area_sd = "{number(tuft.area_sd)} m^2", mass = "{number(tuft.mass)} kg" }}'
        )
    for droop in line.droops:
        rows += ["[[line.droop]]", quantity("station", droop.station, "m")]
        rows.append(quantity("overhang", droop.overhang, "m"))
        unit = "m" if droop.drop is not None else "rad"
        if droop.drop is not None:
            rows.append(quantity("drop", droop.drop, "m"))
        elif droop.angle is not None:
            rows.append(quantity("angle", droop.angle, "rad"))
        if np.isfinite(droop.drop_sd):
            rows.append(quantity("drop_sd", droop.drop_sd, unit))
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
    write_rows(path, heading, ([number(v) for v in row] for row in zip(*columns, strict=True)))


def _markers(markers: Markers) -> list[str]:
    rows = ["[markers]", 'file = "markers.csv"', quantity("sd", float(markers.sd.flat[0]), "m")]
    for key, unit in (("mass", "kg"), ("diameter", "m"), ("station_sd", "m"), ("stand_off", "m")):
        rows.append(quantity(key, getattr(markers, key), unit))
    rows.append("[markers.stations]")
    named = list(zip(markers.labels, markers.station, strict=True))
    rows += [f'{text(k)} = "{number(s)} m"' for k, s in named if np.isfinite(s)]
    handle = [label for label, station in named if np.isnan(station)]
    if handle:
        rows += ["[markers.handle]", f"labels = [{', '.join(text(v) for v in handle)}]"]
    return rows


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
        f"name = {text(camera.name)}",
        quantity("rate", camera.rate, "Hz"),
        f"size = [{camera.size[0]}, {camera.size[1]}]",
        quantity("exposure", camera.exposure, "s"),
        f"shows = {text(camera.shows)}",
        f"projection = {matrix(camera.projection)}",
        quantity("registration_sd", camera.registration_sd, "px"),
    ]
    if camera.intrinsics is not None:
        rows.append(f"intrinsics = {matrix(camera.intrinsics)}")
        if camera.distortion is not None:
            rows.append(f"distortion = {numbers(camera.distortion)}")
    rows += [f'points = "{stem}.csv"', quantity("sd", camera.sd, "px")]
    rows.append(
        f'clock = {{ offset = "{number(clock.offset)} s", offset_sd = '
        f'"{number(clock.offset_sd)} s", drift_sd = {number(clock.drift_sd)} }}'
    )
    if camera.flashes.size:
        rows.append(f'flashes = "{stem}-flashes.csv"')
    if camera.fronts is not None:
        rows.append(f'fronts = "{stem}-fronts.csv"')
    if camera.tuft is not None:
        rows.append(f'tuft = "{stem}-tuft.csv"')
    rows.append("[cameras.stations]")
    return rows + [f'{name} = "{number(station)} m"' for station, name in names.items()]


def _microphone(microphone: Microphone) -> list[str]:
    rows = ["[[microphones]]", f"file = {text(microphone.file)}"]
    if microphone.name is not None:
        rows.append(f"name = {text(microphone.name)}")
    rows.append(f"position = {numbers(microphone.position)}")
    if microphone.channel is not None:
        rows.append(f"channel = {microphone.channel}")
    if microphone.recorder is not None:
        rows.append(f"recorder = {text(microphone.recorder)}")
    if microphone.sensitivity is not None:
        rows.append(quantity("sensitivity", microphone.sensitivity, "V/Pa"))
    if microphone.full_scale != 1.0:
        rows.append(quantity("full_scale", microphone.full_scale, "V"))
    rows.append(
        f'clock = {{ offset = "{number(microphone.clock_offset)} s", '
        f'offset_sd = "{number(microphone.clock_offset_sd)} s" }}'
    )
    return rows


def _write_points(path: Path, camera: Camera, names: dict[float, str]) -> None:
    features = [names[float(station)] for station in camera.station]
    uneven = bool((camera.point_sd != camera.sd).any())
    write_points(path, camera.frame, features, camera.uv, camera.point_sd if uneven else None)


def _stem(name: str, index: int) -> str:
    """A file name for a camera: its own where that is plain."""
    plain = name.isascii() and all(c.isalnum() or c in "-_" for c in name)
    taken = {"line", "markers"}
    return name if plain and name not in taken else f"camera-{index + 1}"
