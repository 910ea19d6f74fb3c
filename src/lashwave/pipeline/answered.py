"""A trial beside the answers that were made of it."""

from __future__ import annotations

from pathlib import Path

from lashwave.files import Summary, read_summary
from lashwave.quantities import InputError, Trial


def answered_trial(folder: Path, answers: Path) -> tuple[Trial, Summary]:
    """A trial as `reconstruct` reads it, but for a search of its pictures, and its answers.

    Raises
    ------
    InputError
        Where either cannot be read, the answers are not of the trial as it is now, or the markers
        are in pictures only.
    """
    from lashwave.files import read_pictures
    from lashwave.pipeline.labelled import labelled

    trial = labelled(read_pictures(folder).trial)
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
