"""A trial before it is used: its markers labelled, and beside the answers that were made of it.

Labels are given where points have none and mended where they were exchanged; every change is noted
with the trial.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from lashwave.files import Summary, read_summary
from lashwave.pipeline.health import swap_suspects
from lashwave.quantities import InputError, Markers, Trial


def labelled(trial: Trial) -> Trial:
    """The trial with its markers labelled as far as can be told.

    A record with no label on the line is labelled anew. One whose labels seem exchanged is mended
    as a whole: labels move, ghosts lose theirs. Any other keeps the labels that it has, and points
    without one get those that are free. A label that no point carries in the end is left out.
    """
    markers, grip = trial.markers, trial.line.handle_length
    on_line = ~markers.on_handle
    if on_line.sum() < 2 or not markers.time.size:
        return trial
    given = bool(np.isfinite(markers.position[..., 0])[:, on_line].any())
    if not given and not markers.unlabelled_time.size:
        return trial
    exchanged = given and bool(swap_suspects(markers))
    if given and not exchanged and not markers.unlabelled_time.size:
        return trial
    from lashwave.labels import completed, label_markers, repair  # here: most need none of them

    if not given:
        found, report = label_markers(markers, grip)
    elif exchanged:
        found, report = repair(markers, grip)
    else:
        found, report = completed(markers, grip)
    found, lost = _seen(found)
    said = [*report.sentences, *([f"never found: {', '.join(lost)}; left out"] if lost else [])]
    return replace(
        trial, markers=found, notes=(*trial.notes, *(f"markers: {note}." for note in said))
    )


def _seen(markers: Markers) -> tuple[Markers, list[str]]:
    """The record without labels that no point carries, and these; whole where none carries any."""
    seen = np.atleast_1d(np.isfinite(markers.position[..., 0]).any(axis=0))
    if seen.all() or not seen.any():
        return markers, []
    kept = replace(
        markers,
        labels=tuple(v for v, has in zip(markers.labels, seen, strict=True) if has),
        position=markers.position[:, seen],
        sd=markers.sd[:, seen],
        station=markers.station[seen],
    )
    return kept, [v for v, has in zip(markers.labels, seen, strict=True) if not has]


def answered_trial(folder: Path, answers: Path) -> tuple[Trial, Summary]:
    """A trial as `reconstruct` reads it, but for a search of its pictures, and its answers.

    Raises
    ------
    InputError
        Where either cannot be read, the answers are not of the trial as it is now, or the markers
        are in pictures only.
    """
    from lashwave.files import read_pictures
    from lashwave.pipeline.moved_cameras import registered

    trial = labelled(registered(read_pictures(folder))[0].trial)
    summary = read_summary(answers)
    names = sorted({*summary.inputs, *trial.hashes})
    changed = [n for n in names if summary.inputs.get(n) != trial.hashes.get(n)]
    if changed:
        raise InputError(
            answers / "summary.json",
            f"is of other inputs than the trial's now: {changed[0]} differs",
            "reconstruct again",
        )
    if not trial.markers.time.size:
        raise InputError(
            folder, "has its markers in pictures only", "`locate` it and take what that wrote"
        )
    return trial, summary
