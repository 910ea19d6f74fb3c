"""Which folders a command may write: nothing of the user's is ever replaced."""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path

from lashwave.files.disk_room import need_leave
from lashwave.files.swap import is_part, sweep
from lashwave.quantities import InputError

ANSWER_FILES = frozenset(
    {
        "motion.nc", "samples.nc", "answers.nc", "sightings.nc", "summary.json",
        "report.html", "report.pdf",
    }
)  # fmt: skip
"""What `reconstruct` writes; a folder that holds these alone may be replaced as a whole."""
FIGURES = re.compile(r"figure-\d\d\.(pdf|csv)")
"""What it writes into the folder `figures` within."""


def check_trial_folder(trial: Path) -> None:
    """Raise InputError where `trial` is no folder."""
    if not trial.exists():
        raise InputError(trial, "there is no such folder", "give the folder that holds trial.toml")
    if not trial.is_dir():
        raise InputError(trial, "this is a file", "give the folder that holds trial.toml")


def check_answer_folder(out: Path, trial: Path | None = None) -> None:
    """Raise InputError unless answers may be written to `out`.

    `out` may not exist yet, be empty, or hold an earlier answer and nothing else; it may neither
    lie inside the trial's folder nor hold it.
    """
    if trial is not None:
        check_apart(out, trial)
    _check_can_make(out)
    if not out.exists():
        return
    names = {path.name for path in out.iterdir() if not is_part(path.name)}
    if not names:
        return
    if not _is_answer(out):
        raise InputError(
            "--out",
            f"{out} is not empty and holds no earlier answer",
            "name a new or an empty folder",
        )
    figures = {path.name for path in (out / "figures").glob("*")}
    if all(FIGURES.fullmatch(name) for name in figures):
        names.discard("figures")
    foreign = sorted(names - ANSWER_FILES)
    if foreign:
        raise InputError(
            "--out",
            f"{out} holds {foreign[0]!r} beside an earlier answer, which would be replaced",
            "move it away or name another folder",
        )


def check_apart(out: Path, trial: Path) -> None:
    """Raise InputError where `out` lies inside the trial's folder or holds it."""
    inner, outer = out.resolve(), trial.resolve()
    if inner == outer or outer in inner.parents:
        raise InputError("--out", f"{out} lies inside the trial", "name a folder outside it")
    if inner in outer.parents:
        raise InputError("--out", f"{out} holds the trial", "name a folder of its own")
    _check_can_make(out)


def check_new_folder(
    out: Path, *, known: frozenset[str], option: str, inputs: Sequence[Path] = ()
) -> None:
    """Raise InputError unless `out` is absent, empty, or holds only `known` names and no input."""
    _check_can_make(out, option)
    for path in inputs:
        if out.resolve() in path.resolve().parents:
            raise InputError(option, f"{out} holds the input {path.name}", "name another folder")
    if not out.exists():
        return
    names = {path.name for path in out.iterdir() if not is_part(path.name)}
    foreign = sorted(names - known)
    if foreign:
        raise InputError(
            option, f"{out} holds {foreign[0]!r} already", "name a new or an empty folder"
        )


def check_new_file(out: Path, apart: Sequence[Path], option: str = "--out") -> None:
    """Raise InputError where the archive `out` cannot be written, lies in a folder that it must
    stay `apart` from, or would replace a file that is no such archive."""
    for folder in apart:
        if folder.resolve() in out.resolve().parents:
            raise InputError(option, f"{out} lies inside {folder}", "name a place outside it")
    if out.is_dir():
        raise InputError(option, f"{out} is a folder", "name a file")
    if out.suffix.lower() != ".zip":
        raise InputError(option, f"{out.name} does not end in .zip", "name it so")
    if not out.parent.is_dir():
        raise InputError(option, f"there is no folder {out.parent}", "make it first")
    if out.exists() and not _is_deposit(out):
        raise InputError(option, f"{out} is no archive of this program", "name another file")
    need_leave(out, option)


def _check_can_make(out: Path, option: str = "--out") -> None:
    """Raise InputError where the folder cannot be written; what a killed run left is swept."""
    for path in (out, *out.parents):
        if path.is_dir():
            break
        if path.exists() or path.is_symlink():
            raise InputError(option, f"{path} is a file, not a folder", "name another folder")
    need_leave(out, option)
    sweep(out.resolve().parent, out.name)


def _is_deposit(out: Path) -> bool:
    """Whether `out` is an archive that `deposit` wrote."""
    try:
        with zipfile.ZipFile(out) as archive:
            names = set(archive.namelist())
            return "files.sha256" in names and bool({"summary.json", "campaign.json"} & names)
    except (OSError, zipfile.BadZipFile):
        return False


def _is_answer(out: Path) -> bool:
    """Whether `out` holds a summary that this program wrote."""
    try:
        summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(summary, dict) and {"schema", "trial", "quantities"} <= summary.keys()
