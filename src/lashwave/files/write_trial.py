"""A `Trial` as a trial folder that `read_trial` reads back the same."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np

from lashwave.files.calibration_toml import lens_model
from lashwave.files.sighting_tables import (
    number_text,
    write_flashes,
    write_fronts,
    write_markers,
    write_onsets,
    write_points,
    write_rows,
    write_stamps,
    write_strobe,
    write_tuft_widths,
)
from lashwave.files.write_toml import toml_text, with_unit
from lashwave.quantities import Camera, Droop, Line, Markers, Microphone, Trial


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
    write_line(folder / "line.csv", trial.line)
    write_markers(folder / "markers.csv", trial.markers)
    for index, camera in enumerate(trial.cameras):
        stem = _stem(camera.name, index)
        _write_points(folder / f"{stem}.csv", camera, _features(camera, trial.line.length))
        if camera.flashes.size:
            write_flashes(folder / f"{stem}-flashes.csv", camera.flashes)
        if camera.flash_times is not None:
            write_strobe(folder / f"{stem}-strobe.csv", camera.flash_times)
        if camera.stamps is not None:
            write_stamps(folder / f"{stem}-times.csv", camera)
        if camera.fronts is not None:
            write_fronts(folder / f"{stem}-fronts.csv", camera.fronts)
        if camera.tuft is not None:
            write_tuft_widths(folder / f"{stem}-tuft.csv", camera.tuft)
    description = description_of(trial)
    if sounds is not None:
        description["microphones"] = [_microphone(one) for one in trial.microphones]
        for microphone in trial.microphones:
            (folder / microphone.file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(sounds / microphone.file, folder / microphone.file)
        if trial.onsets:
            write_onsets(folder / "onsets.csv", trial.onsets)
    (folder / "trial.toml").write_text(toml_text(description), encoding="utf-8")


def description_of(trial: Trial) -> dict[str, Any]:
    """What trial.toml says of a trial, without its microphones; numbers in SI."""
    head = {key: getattr(trial, key) for key in ("name", "specimen", "thrower", "date")}
    return {
        "schema": 1,
        "trial": head | {"gravity": trial.gravity.tolist()},
        "air": {
            "temperature": with_unit(trial.air.temperature, "K"),
            "pressure": with_unit(trial.air.pressure, "Pa"),
            "relative_humidity": float(trial.air.relative_humidity),
        },
        "line": _line(trial.line),
        "markers": _markers(trial.markers),
        "cameras": [
            _camera(camera, _stem(camera.name, index), _features(camera, trial.line.length))
            for index, camera in enumerate(trial.cameras)
        ],
    }


def _line(line: Line) -> dict[str, Any]:
    table: dict[str, Any] = {
        "table": "line.csv",
        "handle_length": with_unit(line.handle_length, "m"),
        "ends": line.ends,
        "droop": [_droop(one) for one in line.droops] or None,
    }
    if line.tuft is not None:
        table["tuft"] = {
            "area": with_unit(line.tuft.area, "m^2"),
            "area_sd": with_unit(line.tuft.area_sd, "m^2"),
            "mass": with_unit(line.tuft.mass, "kg"),
        }
    return table


def _droop(droop: Droop) -> dict[str, str]:
    table = {
        "station": with_unit(droop.station, "m"),
        "overhang": with_unit(droop.overhang, "m"),
    }
    unit = "m" if droop.drop is not None else "rad"
    if droop.drop is not None:
        table["drop"] = with_unit(droop.drop, unit)
    elif droop.angle is not None:
        table["angle"] = with_unit(droop.angle, unit)
    if np.isfinite(droop.drop_sd):
        table["drop_sd"] = with_unit(droop.drop_sd, unit)
    return table


def write_line(path: Path, line: Line) -> None:
    """The line's table, a row a station, in SI to the last digit."""
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
    write_rows(path, heading, ([number_text(v) for v in row] for row in zip(*columns, strict=True)))


def _markers(markers: Markers) -> dict[str, Any]:
    units = {"mass": "kg", "diameter": "m", "station_sd": "m", "stand_off": "m", "exposure": "s"}
    named = list(zip(markers.labels, markers.station, strict=True))
    handle = [label for label, station in named if np.isnan(station)]
    return {
        "file": "markers.csv",
        "sd": with_unit(markers.sd.flat[0], "m"),
        **{key: with_unit(getattr(markers, key), unit) for key, unit in units.items()},
        "stations": {k: with_unit(s, "m") for k, s in named if np.isfinite(s)},
        "handle": {"labels": handle} if handle else None,
    }


def _features(camera: Camera, length: float) -> dict[float, str]:
    """A name for each station that the camera saw."""
    names = {}
    for i, station in enumerate(np.unique(camera.station)):
        names[float(station)] = "tip" if station == length else f"p{i + 1}"
    return names


def _camera(camera: Camera, stem: str, names: dict[float, str]) -> dict[str, Any]:
    table: dict[str, Any] = {
        "name": camera.name,
        "rate": with_unit(camera.rate, "Hz"),
        "size": [int(n) for n in camera.size],
        "exposure": with_unit(camera.exposure, "s"),
        "shows": camera.shows,
        "projection": camera.projection.tolist(),
        "registration_sd": with_unit(camera.registration_sd, "px"),
    }
    if camera.intrinsics is not None:
        table["intrinsics"] = camera.intrinsics.tolist()
        if camera.distortion is not None:
            table["lens_model"] = lens_model(camera.distortion)
            table["distortion"] = camera.distortion.tolist()
    return table | {
        "mirrored": camera.mirrored or None,
        "window": None if camera.window is None else list(camera.window),
        "points": f"{stem}.csv",
        "sd": with_unit(camera.sd, "px"),
        "clock": {
            "offset": with_unit(camera.clock.offset, "s"),
            "offset_sd": with_unit(camera.clock.offset_sd, "s"),
            "drift_sd": float(camera.clock.drift_sd),
        },
        "flashes": f"{stem}-flashes.csv" if camera.flashes.size else None,
        "strobe": None if camera.flash_times is None else f"{stem}-strobe.csv",
        "times": None if camera.stamps is None else f"{stem}-times.csv",
        "fronts": None if camera.fronts is None else f"{stem}-fronts.csv",
        "tuft": None if camera.tuft is None else f"{stem}-tuft.csv",
        "stations": {name: with_unit(station, "m") for station, name in names.items()},
    }


def _microphone(one: Microphone) -> dict[str, Any]:
    loud = None if one.sensitivity is None else with_unit(one.sensitivity, "V/Pa")
    return {
        "file": one.file,
        "name": one.name,
        "position": one.position.tolist(),
        "channel": one.channel,
        "recorder": one.recorder,
        "sensitivity": loud,
        "full_scale": None if one.full_scale == 1.0 else with_unit(one.full_scale, "V"),
        "clock": {
            "offset": with_unit(one.clock_offset, "s"),
            "offset_sd": with_unit(one.clock_offset_sd, "s"),
        },
    }


def _write_points(path: Path, camera: Camera, names: dict[float, str]) -> None:
    features = [names[float(station)] for station in camera.station]
    uneven = bool((camera.point_sd != camera.sd).any())
    write_points(path, camera.frame, features, camera.uv, camera.point_sd if uneven else None)


def _stem(name: str, index: int) -> str:
    """A file name for a camera: its own where that is plain."""
    plain = name.isascii() and all(c.isalnum() or c in "-_" for c in name)
    taken = {"line", "markers"}
    return name if plain and name not in taken else f"camera-{index + 1}"
