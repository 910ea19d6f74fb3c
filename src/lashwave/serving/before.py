"""The answers that a run replaces, kept so that before and after can be seen side by side."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from typing import Any

from lashwave.files import read_record, replace_folder
from lashwave.quantities import InputError
from lashwave.serving.library import Library, is_answers

KEPT = ("summary.json", "answers.nc", "motion.nc")


def place(library: Library, name: str) -> Path | None:
    """Where the earlier answers of a trial are kept; None where nothing can be."""
    cache = library.cache()
    return None if cache is None else cache / f"{name}.before"


def keep_before(library: Library, name: str) -> None:
    """Copy the answers of a trial aside before a run; no disk for it stops no run."""
    own, target = library.own_answers(name), place(library, name)
    if target is None or not is_answers(own):
        return

    def fill(half: Path) -> None:
        for file in KEPT:
            if (own / file).is_file():
                shutil.copyfile(own / file, half / file)

    with contextlib.suppress(OSError):
        replace_folder(target, fill)


def earlier(library: Library, name: str, now: Path) -> dict[str, Any] | None:
    """The quantities of the answers before the last run; None where they are those of now."""
    kept = place(library, name)
    if kept is None or not is_answers(kept):
        return None
    try:
        before = read_record(kept)
        if (kept / "summary.json").read_bytes() == (now / "summary.json").read_bytes():
            return None
    except (InputError, OSError):
        return None
    return dict(before["quantities"])
