"""A trial folder with its images and sounds opened: what `locate` searches."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from lashwave.files.fields import Fields
from lashwave.files.frame_files import open_frames
from lashwave.files.source import Folder
from lashwave.files.trial_folder import assembled, read_description
from lashwave.files.wav import read_wav
from lashwave.quantities import Frames, Pictures

NO_SOUND = "sound is not read by this command."


def read_pictures(path: Path) -> Pictures:
    """Read a trial folder, and open the images of every camera that has no points yet.

    Sound is read as well, but for a trial that has its onsets in a table.

    Raises
    ------
    InputError
        One line, as `read_trial`; faults within an image come when it is read.
    """
    folder = Folder(Path(os.path.abspath(path)))
    root = read_description(folder, path)
    trial = assembled(folder, root, pictured=True)
    frames, tip, feature = {}, {}, {}
    for fields in root.subs("cameras"):
        name = fields.text("name")
        camera = next((c for c in trial.cameras if c.name == name), None)
        if camera is None or fields.has("points") or not fields.has("frames"):
            continue
        frames[name] = _frames(folder, fields, camera.size)
        if camera.shows != "dots":
            feature[name], tip[name] = _tip(fields, trial.line.length)
    sounds = {}
    for microphone in trial.microphones:
        if not trial.onsets and microphone.file not in sounds:
            sounds[microphone.file] = read_wav(folder.root / microphone.file, microphone.file)
    folder.refuse_changed()
    notes = tuple(note for note in folder.notes if note != NO_SOUND)
    trial = replace(trial, hashes=dict(folder.hashes), notes=notes)
    return Pictures(trial, frames, tip, feature, sounds)


def _frames(folder: Folder, fields: Fields, size: tuple[int, int]) -> Frames:
    return open_frames(
        folder, fields.text("frames"), fields.where, fields.line("frames"), fields.name("frames"),
        size,
    )  # fmt: skip


def _tip(fields: Fields, length: float) -> tuple[str, float]:
    """The feature that is the line's tip, and its station: the farthest of those listed."""
    stations = fields.sub("stations")
    if stations is None or not stations.table:
        return "tip", length
    placed = {
        name: stations.number(name, "length", low=0.0, high=length) for name in stations.table
    }
    name = max(placed, key=lambda k: placed[k])
    return name, placed[name]
