"""Options that several commands share, each written once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave.files import folders
from lashwave.quantities import InputError

DONE = 0
"""Exit status of a command that did what it was asked for."""


def flag(text: str, name: str | None = None) -> Parameter:
    """A switch that is off unless it is given."""
    return Parameter(name=name, negative="", help=text, show_default=False)


Trial = Annotated[Path, Parameter(name="TRIAL", help="Folder that holds trial.toml.")]
TrialOrCampaign = Annotated[
    Path, Parameter(name="TRIAL", help="Folder that holds trial.toml, or what `campaign` wrote.")
]
Trials = Annotated[
    list[Path], Parameter(name="TRIALS", help="Folders of trials, or of their answers.")
]
Answers = Annotated[
    Path, Parameter(name="--out", help="Folder for the answers; an earlier answer is replaced.")
]
Out = Annotated[Path, Parameter(name="--out", help="Folder to write; an earlier one is replaced.")]
Processes = Annotated[int | None, Parameter(help="At once; default all cores.")]
Gpu = Annotated[bool, flag("Compute throws on this machine's graphics card (extra `[gpu]`).")]
Seed = Annotated[int, Parameter(name="--seed", help="Which trial of the family; any whole number.")]
Json = Annotated[bool, flag("Print JSON for a script.", "--json")]
Quiet = Annotated[bool, flag("Show no progress.", "--quiet")]


def check_trials(trials: list[Path], out: Path) -> None:
    """Whether `trials` are folders, and none of them holds `out`.

    Raises InputError where one is none, and where none is named.
    """
    if not trials:
        raise InputError("TRIALS", "none is named", "name a trial folder or several")
    for trial in trials:
        folders.check_trial_folder(trial)
        folders.check_apart(out, trial)
