"""`lashwave locate`: sightings in a trial's pictures and sound."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.workbench.shared_options import Json, Quiet, Trial


def locate(
    trial: Trial,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the sightings; not the trial's own.")],
    front_frames: Annotated[
        tuple[int, int] | None,
        Parameter(
            help="First and last frame in which fronts are looked for; else about the time at "
            "which the tip is in view, or in all frames where it never is."
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Find sightings in a trial's pictures and sound: markers, tip, flashes, tuft, fronts, onsets.

    Writes --out, a trial folder that `reconstruct` takes, and a contact sheet for each camera to
    judge by eye. A run that was stopped goes on where it was.
    """
    from lashwave.pipeline import locate as search

    folders.check_trial_folder(trial)
    folders.check_apart(out, trial)
    with console.progress(quiet) as progress:
        return search.run(trial, out, progress, as_json=json, front_frames=front_frames)
