"""Pictures and sound of the virtual bench as files: a trial to locate, and what is in it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from lashwave.files import (
    description_of,
    toml_text,
    with_unit,
    write_frames,
    write_line,
    write_trial,
    write_wav,
)
from lashwave.pipeline import Progress
from lashwave.quantities import Image
from lashwave.report import table_file
from lashwave.twin import BenchPictures, Recording

TABLES = {
    "dots": ["camera", "frame", "u [px]", "v [px]", "streak [px]", "marker"],
    "tip": ["camera", "frame", "u [px]", "v [px]"],
    "tuft": ["camera", "frame", "width [m]"],
    "fronts": ["camera", "frame", "side", "sent [s]", "u [px]", "v [px]"],
}
"""Tables of `truth-pictures`; beside them births.json, with what has no rows."""
PATTERN = "{:06d}.tif"


def write(pictures: BenchPictures, progress: Progress, out: Path) -> None:
    """Write OUT/trial with images and sound, OUT/seen with points, OUT/truth-pictures.

    OUT/trial names a markers.csv that is not there: it is what `locate` has to make.
    """
    trial = pictures.trial
    watched = tuple(film.camera.name for film in pictures.fast)
    fast = tuple(camera for camera in trial.cameras if camera.name in watched)
    write_trial(out / "seen", replace(trial, cameras=fast))
    folder = out / "trial"
    folder.mkdir()
    write_line(folder / "line.csv", trial.line)
    (folder / "trial.toml").write_text(toml_text(_description(pictures)), encoding="utf-8")
    films = (*pictures.fast, *pictures.infrared)
    total, done = sum(len(film) for film in films), 0
    for film in films:
        name = film.camera.name
        images = _reported(film, name, done / total, total, progress)
        write_frames(folder / name, PATTERN, images, film.bits)
        done += len(film)
    for heard in pictures.sound:
        write_wav(folder / f"{heard.name}.wav", heard.volts, int(heard.hearing.rate), 16)
    _write_found(out / "truth-pictures", pictures.found)


def _description(pictures: BenchPictures) -> dict[str, Any]:
    """The trial with images in place of all points, and a table of each microphone."""
    trial = pictures.trial
    description = description_of(trial)
    watched = {film.camera.name for film in pictures.fast}
    cameras = list(zip(trial.cameras, description["cameras"], strict=True))
    fast = [_filmed(table) for camera, table in cameras if camera.name in watched]
    ring = [_infrared(table) for camera, table in cameras if camera.name not in watched]
    microphones = [_microphone(heard) for heard in pictures.sound]
    return description | {"cameras": fast + ring, "microphones": microphones}


def _filmed(table: dict[str, Any]) -> dict[str, Any]:
    """A camera's table with its images in place of its points and flashes."""
    table = {key: value for key, value in table.items() if key not in ("points", "flashes")}
    return table | {"frames": f"{table['name']}/*.tif"}


def _infrared(table: dict[str, Any]) -> dict[str, Any]:
    """The table of a camera that sees the markers, on the lab clock."""
    kept = ("name", "rate", "size", "exposure", "shows", "projection", "sd")
    clock = {"offset": "0 s", "offset_sd": "0 s"}
    return _filmed({key: table[key] for key in kept}) | {"clock": clock}


def _microphone(heard: Recording) -> dict[str, Any]:
    """The table of a microphone. One volt is the recorder's full scale."""
    return {
        "name": heard.name,
        "recorder": heard.recorder,
        "file": f"{heard.name}.wav",
        "position": [float(x) for x in heard.position],
        "sensitivity": with_unit(heard.hearing.sensitivity, "V/Pa"),
        "clock": {
            "offset": with_unit(heard.clock.offset, "s"),
            "offset_sd": with_unit(heard.clock.offset_sd, "s"),
        },
    }


def _reported(
    film: Iterable[Image], name: str, start: float, total: int, progress: Progress
) -> Iterator[Image]:
    """The images of a film; how far it is goes to `progress` before each."""
    for k, image in enumerate(film):
        progress(f"rendering {name}", start + k / total)
        yield image


def _write_found(folder: Path, found: dict[str, Any]) -> None:
    """What should be found: tables, and births.json for flashes, the front's birth and onsets."""
    folder.mkdir()
    for name, heading in TABLES.items():
        rows = [[round(x, 9) if isinstance(x, float) else x for x in row] for row in found[name]]
        (folder / f"{name}.csv").write_bytes(table_file(heading, rows))
    rest = {key: value for key, value in found.items() if key not in TABLES}
    (folder / "births.json").write_text(json.dumps(rest, indent=1) + "\n", encoding="utf-8")
