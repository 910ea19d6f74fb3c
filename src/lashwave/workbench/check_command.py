"""`lashwave check`: whether a trial is usable."""

from __future__ import annotations

from lashwave.files import folders
from lashwave.workbench.shared_options import Json, Trial


def check(trial: Trial, /, *, json: Json = False) -> int:
    """Say whether a trial is usable, what is wrong with it, and how good it is.

    Reads the whole trial and writes nothing. Status 0 where it can be reconstructed (perhaps with
    care), 2 where it cannot be read or used.
    """
    from lashwave.pipeline import checkup

    folders.check_trial_folder(trial)
    return checkup.run(trial, as_json=json)
