"""The folder that is served: its trials, their answers, and no path that leaves it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from lashwave.files import DESCRIPTION
from lashwave.serving.replies import Refused, not_found

CACHE = ".lashwave-cache"
"""Child of the folder that keeps what was derived from answers; may be deleted at any time."""
BEFORE = "@before"
"""What follows a trial's name where its answers before the last run are meant."""
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
        return sorted(n for n in found if _usable(n) and self.is_trial(self.folder / n))

    def below(self, found: Sequence[object]) -> list[str]:
        """Children that are no trials but hold some, where the folder itself has none."""
        if found:
            return []
        with os.scandir(self.folder) as entries:
            names = sorted(e.name for e in entries if e.is_dir(follow_symlinks=False))
        return [n for n in names if _usable(n) and Library(self.folder / n).ids()]

    def trial(self, name: str) -> Path:
        """The folder of a trial; raises Refused (404) for what is none."""
        path = self.child(name)
        if not (path.is_dir() and not path.is_symlink() and self.is_trial(path)):
            if self.alone(name):
                raise Refused(409, f"{name[:80]} holds answers alone: its trial is not here")
            raise not_found(f"there is no trial {name[:80]!r} in the folder")
        return path

    def child(self, name: str) -> Path:
        """A direct child by its plain name; raises Refused (404) where the name is none."""
        if not _usable(name):
            raise not_found("there is nothing of that name")
        return self._place(name)

    def _place(self, name: str) -> Path:
        """Where a name stands; TRIAL@before is what the last run of a trial replaced."""
        path = self.folder / name
        if name.endswith(BEFORE) and not path.exists():
            return self.folder / CACHE / f"{name.removesuffix(BEFORE)}.before"
        return path

    def mends(self, name: str) -> Path:
        """The file of a trial's mends; it need not exist, but is no link."""
        self.trial(name)
        return self._no_link(self.folder / f"{name}.mends.toml")

    def own_answers(self, name: str) -> Path:
        """Where the page's runs write a trial's answers; need not exist, but is no link."""
        self.trial(name)
        return self._no_link(self.folder / f"{name}.answers")

    def answer_folders(self) -> list[str]:
        """Children that hold answers and are no trial and no trial's own, sorted."""
        with os.scandir(self.folder) as entries:
            names = sorted(e.name for e in entries if e.is_dir(follow_symlinks=False))
        return [n for n in names if _usable(n) and self._stray_answers(n)]

    def _stray_answers(self, name: str) -> bool:
        path = self._place(name)
        owned = name.endswith(".answers") and self.is_trial(self.folder / name[:-8])
        return not owned and not self.is_trial(path) and is_answers(path)

    def alone(self, name: str) -> bool:
        """Whether a child holds answers that are looked at without their trial."""
        return _usable(name) and self._stray_answers(name)

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
        alone = self.alone(name)
        files = _files(self._place(name) if alone else self.trial(name))
        for path in files if alone else (*files, self.mends(name)):
            digest.update(stamp(path).encode())
        return digest.hexdigest()

    def is_trial(self, path: Path) -> bool:
        """Whether a folder has a description."""
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
