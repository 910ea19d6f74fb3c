"""Small trials on disk for the pages: the report's invented throw, seen by one fast camera.

The camera looks along y in parallel light at the place where the fold runs out, 400 px a metre, so
a test can say where in its picture the tip must lie.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from lashwave.files.results import write_results
from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.quantities.answer import from_draws
from lashwave.quantities.sightings import Clock
from lashwave.quantities.trial import Trial
from tests.report import invented

SIDE, PER_METRE = 256, 400.0
LEFT, TOP = 1.9, 1.5
"""The picture's left edge (x) and top edge (z) in the lab [m]."""
RATE, OFFSET = 20e3, 0.418
PROJECTION = np.array(
    [
        [PER_METRE, 0.0, 0.0, -PER_METRE * LEFT],
        [0.0, 0.0, -PER_METRE, PER_METRE * TOP],
        [0.0, 0.0, 0.0, 1.0],
    ]
)


def camera_trial(count: int, rate: float = 500.0) -> Trial:
    """The throw with `count` frames about the crack, the tip found in each."""
    trial = invented.trial(rate=rate)
    frame = np.arange(count)
    tip = invented.place(OFFSET + frame / RATE, np.array([invented.LENGTH]))[:, 0]
    uv = np.stack([PER_METRE * (tip[:, 0] - LEFT), PER_METRE * (TOP - tip[:, 2])], axis=-1)
    camera = replace(
        trial.cameras[0],
        rate=RATE,
        size=(SIDE, SIDE),
        projection=PROJECTION,
        clock=Clock(OFFSET, 2e-3, 5e-6),
        frame=frame,
        station=np.full(count, invented.LENGTH),
        uv=uv,
        point_sd=np.full(count, 0.4),
        flashes=np.empty(0, int),
    )
    return replace(trial, cameras=(camera,))


def write(
    parent: Path,
    name: str,
    *,
    frames: int = 24,
    cameras: bool = True,
    answered: bool = True,
    times: int = 240,
    stations: int = 40,
) -> Path:
    """A trial folder and, beside it, its answers; the answers are of the folder as it stands."""
    trial = camera_trial(frames) if cameras else invented.trial(cameras=False)
    folder = parent / name
    write_trial(folder, replace(trial, name=name, hashes={}))
    if cameras:
        draw(folder, frames)
    if answered:
        answer(folder, times, stations)
    return folder


def draw(folder: Path, count: int) -> None:
    """Pictures of a grey ramp with the frame's number in it, and the line that names them."""
    (folder / "frames").mkdir()
    ramp = np.tile(np.linspace(60, 180, SIDE).astype(np.uint8), (SIDE, 1))
    for number in range(count):
        picture = ramp.copy()
        cv2.putText(picture, str(number), (8, 40), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 230, 2)
        cv2.imwrite(str(folder / "frames" / f"{number:05d}.png"), picture)
    toml = folder / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("\npoints = ", '\nframes = "frames/*.png"\npoints = ', 1), "utf-8")


def answer(folder: Path, times: int = 240, stations: int = 40) -> None:
    """What `reconstruct` would write, from the invented motion."""
    trial = read_trial(folder)
    fit = invented.fit(trial, times=times, stations=stations)
    found = invented.answers(fit)
    found["clock_offset:tip-view"] = from_draws(OFFSET + np.linspace(-1e-5, 1e-5, 200), "s")
    report = {"report.html": b"<!doctype html><title>report</title>"}
    out = folder.parent / f"{folder.name}.answers"
    write_results(out, fit, found, invented.lists(fit), report, trial, {})


def spoil(parent: Path, name: str) -> Path:
    """A trial whose description has a unit of the wrong kind."""
    folder = write(parent, name, cameras=False, answered=False)
    toml = folder / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("[markers]", '[markers]\nrate = "500 m"', 1), "utf-8")
    return folder


def instruments_only(parent: Path, name: str) -> Path:
    """A folder with what the instruments wrote, and no description."""
    made = write(parent, name, answered=False)
    (made / "trial.toml").unlink()
    shutil.rmtree(made / "frames")
    return made
