"""The folder that is served: its trials, their answers, and no path that leaves it."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from lashwave.files import DESCRIPTION, read_record
from lashwave.quantities import InputError
from lashwave.serving.replies import Refused, not_found

CACHE = ".lashwave-cache"
"""Child of the folder that keeps what was derived from answers; may be deleted at any time."""
MOST_FILES = 200_000
"""Files of a trial that are looked at to tell whether it changed."""


class Library:
    """Trials are the direct children of a folder that hold trial.toml; links are not followed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()

    def ids(self) -> list[str]:
        """Names of the trial folders, sorted."""
        with os.scandir(self.folder) as entries:
            found = [e.name for e in entries if e.is_dir(follow_symlinks=False)]
        return sorted(n for n in found if _usable(n) and self._is_trial(self.folder / n))

    def trial(self, name: str) -> Path:
        """The folder of a trial; raises Refused (404) for what is none."""
        path = self.child(name)
        if not (path.is_dir() and not path.is_symlink() and self._is_trial(path)):
            raise not_found(f"there is no trial {name[:80]!r} in the folder")
        return path

    def child(self, name: str) -> Path:
        """A direct child by its plain name; raises Refused (404) where the name is none."""
        if not _usable(name):
            raise not_found("there is nothing of that name")
        return self.folder / name

    def mends(self, name: str) -> Path:
        """The file of a trial's mends; it need not exist, but is no link."""
        self.trial(name)
        return self._no_link(self.folder / f"{name}.mends.toml")

    def own_answers(self, name: str) -> Path:
        """Where the page's runs write a trial's answers; need not exist, but is no link."""
        self.trial(name)
        return self._no_link(self.folder / f"{name}.answers")

    def answers(self, name: str, trial_name: str, hashes: dict[str, str]) -> Path | None:
        """The answers of a trial: its own, else a child whose inputs or trial name are the same.

        A child with the same description goes before one with the same trial name only.
        """
        own = self.own_answers(name)
        if is_answers(own):
            return own
        by_name = None
        with os.scandir(self.folder) as entries:
            names = sorted(e.name for e in entries if e.is_dir(follow_symlinks=False))
        for other in names:
            path = self.folder / other
            if not _usable(other) or not is_answers(path):
                continue
            if other.endswith(".answers") and self._is_trial(self.folder / other[:-8]):
                continue
            try:
                summary = read_record(path)
            except InputError:  # another folder's fault is that folder's
                continue
            inputs = summary["provenance"]["inputs"]
            if hashes and inputs.get(DESCRIPTION) == hashes.get(DESCRIPTION):
                return path
            if summary["trial"] == trial_name:
                by_name = by_name or path
        return by_name

    def cache(self) -> Path | None:
        """The folder for derived things, made where it is missing; None where it cannot be."""
        path = self.folder / CACHE
        try:
            if path.is_symlink():
                return None
            path.mkdir(exist_ok=True)
        except OSError:
            return None
        return path if os.access(path, os.W_OK) else None

    def signature(self, name: str) -> str:
        """Changes whenever a file of the trial, or its mends, does: by names, sizes and times."""
        digest = hashlib.sha256()
        for path in (*_files(self.trial(name)), self.mends(name)):
            digest.update(stamp(path).encode())
        return digest.hexdigest()

    def _is_trial(self, path: Path) -> bool:
        return (path / DESCRIPTION).is_file()

    def _no_link(self, path: Path) -> Path:
        if path.is_symlink():
            raise Refused(403, f"{path.name} is a link; the server follows none")
        return path


def is_answers(path: Path) -> bool:
    """Whether a folder holds a motion and a summary."""
    files = (path / "summary.json", path / "motion.nc")
    return not path.is_symlink() and all(f.is_file() and not f.is_symlink() for f in files)


def stamp(path: Path) -> str:
    """Name, size and time of change of a file."""
    try:
        status = path.stat()
    except OSError:
        return f"{path}|none\n"
    return f"{path}|{status.st_size}|{status.st_mtime_ns}\n"


def _files(folder: Path) -> list[Path]:
    found: list[Path] = []
    for root, folders, names in os.walk(folder):
        folders.sort()
        found += [Path(root) / name for name in sorted(names)]
        if len(found) > MOST_FILES:
            break
    return found


def _usable(name: str) -> bool:
    """A plain name: no path, no hidden file, nothing that cannot be printed."""
    plain = name.isprintable() and not set(name) & set("/\\")
    return plain and 0 < len(name) <= 200 and not name.startswith(".")
