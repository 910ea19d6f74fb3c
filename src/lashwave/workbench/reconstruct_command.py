"""`lashwave reconstruct`: a trial's whole motion and its answers."""

from __future__ import annotations

from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.workbench.shared_options import DONE, Answers, Json, Quiet, Trial


def reconstruct(trial: Trial, /, *, out: Answers, json: Json = False, quiet: Quiet = False) -> int:
    """Reconstruct the line's whole motion from a trial, with its uncertainty.

    Writes motion.nc, samples.nc, answers.nc, sightings.nc, summary.json, the report as
    report.html and report.pdf, and its figures with their numbers, to --out, whole or not at
    all. The trial's folder is read and never changed.
    """
    from lashwave.pipeline import reconstruct_folder
    from lashwave.workbench import shown_answers

    folders.check_trial_folder(trial)
    folders.check_answer_folder(out, trial)
    with console.progress(quiet) as progress:
        result = reconstruct_folder(trial, out, progress)
    shown_answers.result(result, out, as_json=json)
    return DONE
