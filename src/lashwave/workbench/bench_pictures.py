"""Pictures and sound of the virtual bench as files: a trial to locate, and what is in it."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from lashwave.files.wav import write_wav
from lashwave.files.write_stills import write_frames
from lashwave.files.write_trial import write_trial
from lashwave.pipeline.console import Progress
from lashwave.quantities import Camera, Image
from lashwave.twin import Pictures, Recording

TABLES = {
    "dots": ["camera", "frame", "u [px]", "v [px]", "streak [px]", "marker"],
    "tip": ["camera", "frame", "u [px]", "v [px]"],
    "tuft": ["camera", "frame", "width [m]"],
    "fronts": ["camera", "frame", "side", "sent [s]", "u [px]", "v [px]"],
}
"""Tables of `truth-pictures`; beside them births.json, with what has no rows."""
PATTERN = "{:06d}.tif"


def write(pictures: Pictures, progress: Progress, out: Path) -> None:
    """Write OUT/trial with images and sound, OUT/seen with points, OUT/truth-pictures.

    OUT/trial names a markers.csv that is not there: it is what `locate` has to make.
    """
    trial = pictures.trial
    watched = tuple(film.camera.name for film in pictures.fast)
    fast = tuple(camera for camera in trial.cameras if camera.name in watched)
    write_trial(out / "seen", replace(trial, cameras=fast))
    folder = out / "trial"
    write_trial(folder, replace(trial, cameras=fast))
    _strip_points(folder)
    text = (folder / "trial.toml").read_text(encoding="utf-8").splitlines()
    ring = (camera for camera in trial.cameras if camera.name not in watched)
    text = list(_with_images(text, watched)) + [r for c in ring for r in _infrared(c)]
    text += [row for heard in pictures.sound for row in _microphone(heard)]
    (folder / "trial.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    films = (*pictures.fast, *pictures.infrared)
    total, done = sum(len(film) for film in films), 0
    for film in films:
        name = film.camera.name
        told = _told(film, name, done / total, total, progress)
        write_frames(folder / name, PATTERN, told, film.bits)
        done += len(film)
    for heard in pictures.sound:
        write_wav(folder / f"{heard.name}.wav", heard.volts, int(heard.hearing.rate), 16)
    _write_found(out / "truth-pictures", pictures.found)


def _strip_points(folder: Path) -> None:
    """Leave trial.toml and the line's table alone."""
    for path in folder.iterdir():
        if path.name not in {"trial.toml", "line.csv"}:
            path.unlink()


def _with_images(rows: list[str], watched: tuple[str, ...]) -> Iterator[str]:
    """The rows of trial.toml with a fast camera's images in place of its points and flashes."""
    names = iter(watched)
    for row in rows:
        if row.startswith("points = "):
            yield f'frames = "{next(names)}/*.tif"'
        elif not row.startswith("flashes = "):
            yield row


def _infrared(camera: Camera) -> list[str]:
    """The table of a camera that sees the markers."""
    rows = ", ".join(f"[{', '.join(repr(float(x)) for x in row)}]" for row in camera.projection)
    return [
        "",
        "[[cameras]]",
        f'name = "{camera.name}"',
        f'rate = "{camera.rate!r} Hz"',
        f"size = [{camera.size[0]}, {camera.size[1]}]",
        f'exposure = "{camera.exposure!r} s"',
        f'shows = "{camera.shows}"',
        f"projection = [{rows}]",
        f'frames = "{camera.name}/*.tif"',
        f'sd = "{camera.sd!r} px"',
        'clock = { offset = "0 s", offset_sd = "0 s" }',
    ]


def _microphone(heard: Recording) -> list[str]:
    """The table of a microphone. One volt is the recorder's full scale."""
    clock = heard.clock
    recorder = [] if heard.recorder is None else [f'recorder = "{heard.recorder}"']
    return [
        "",
        "[[microphones]]",
        f'name = "{heard.name}"',
        *recorder,
        f'file = "{heard.name}.wav"',
        f"position = {[float(x) for x in heard.position]}",
        f'sensitivity = "{heard.hearing.sensitivity!r} V/Pa"',
        f'clock = {{ offset = "{clock.offset!r} s", offset_sd = "{clock.offset_sd!r} s" }}',
    ]


def _told(
    film: Iterable[Image], name: str, start: float, total: int, progress: Progress
) -> Iterator[Image]:
    """The images of a film, each told to whoever waits."""
    for k, image in enumerate(film):
        progress(f"rendering {name}", start + k / total)
        yield image


def _write_found(folder: Path, found: dict[str, Any]) -> None:
    """What should be found: tables, and births.json for flashes, the front's birth and onsets."""
    folder.mkdir()
    for name, heading in TABLES.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(heading)
            writer.writerows(
                [round(x, 9) if isinstance(x, float) else x for x in row] for row in found[name]
            )
    rest = {key: value for key, value in found.items() if key not in TABLES}
    (folder / "births.json").write_text(json.dumps(rest, indent=1) + "\n", encoding="utf-8")
