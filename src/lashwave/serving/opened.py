"""A trial as the server reads it: sightings, description and answers, kept until files change."""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import quote

import numpy as np

from lashwave import __version__
from lashwave.files import (
    Fields,
    Folder,
    assembled,
    read_description,
    read_lists,
    read_motion,
    read_record,
)
from lashwave.quantities import SHOWN, InputError, Line, Markers, Trial
from lashwave.serving.library import Library, is_answers, stamp
from lashwave.serving.replies import Refused, not_found

if TYPE_CHECKING:
    import xarray as xr

T = TypeVar("T")
KEPT = 6
"""Trials, and motions, that are kept in memory."""


@dataclass(frozen=True)
class Opened:
    """A trial as its files and mends are now."""

    id: str
    path: Path
    trial: Trial
    description: Fields
    """trial.toml, mended."""
    hashes: dict[str, str]
    """Of the files that the description names, pictures left out."""
    alone: bool = False
    """Answers without their trial: what they do not hold is not there."""


@dataclass(frozen=True)
class Answered:
    """The answers of a trial."""

    path: Path
    summary: dict[str, Any]
    """Empty where it is damaged."""
    stale: bool
    """Whether an input, or the mends, changed since."""
    fault: str | None = None
    """What is wrong with the summary, in one line."""


class Latest:
    """The latest things made, by name, each with the signature that it was made of."""

    def __init__(self, most: int = KEPT) -> None:
        self._most, self._held = most, OrderedDict[str, tuple[str, Any]]()
        self._lock, self._making = threading.Lock(), dict[str, threading.Lock]()

    def get(self, name: str, signature: str, make: Callable[[], T]) -> T:
        """What was made of this signature; made once where two ask at one time."""
        with self._lock:
            making = self._making.setdefault(name, threading.Lock())
        with making:
            with self._lock:
                held = self._held.get(name)
                if held is not None and held[0] == signature:
                    self._held.move_to_end(name)
                    return held[1]  # type: ignore[no-any-return]
            made = make()
            with self._lock:
                self._held[name] = (signature, made)
                self._held.move_to_end(name)
                while len(self._held) > self._most:
                    self._held.popitem(last=False)
        return made


class Reader:
    """Reads trials and answers of a library, each once for as long as its files stay."""

    def __init__(self, library: Library) -> None:
        self.library = library
        self._trials, self._motions, self._bytes = Latest(), Latest(3), Latest(24)
        self._hashes = Latest(64)
        self.judged = Latest()

    def trial(self, name: str) -> Opened:
        """A trial; InputError where it cannot be read, Refused (404) where there is none."""
        signature = self.library.signature(name)
        if self.library.alone(name):
            path = self.library.child(name)
            return self._trials.get(name, signature, lambda: read_alone(name, path))
        return self._trials.get(name, signature, lambda: read(name, self.library.trial(name)))

    def answers(self, opened: Opened) -> Answered | None:
        """Its answers: its own folder, else one made of the very same inputs; None without any.

        Answers of another trial, be its name the same, are never its answers.
        """
        if opened.alone:
            return _answered(opened, opened.path)
        own = self.library.own_answers(opened.id)
        if is_answers(own):
            return _answered(opened, own)
        for path, summary in self._strays():
            if self._same_inputs(opened, summary["provenance"]["inputs"]):
                return _answered(opened, path)
        return None

    def offered(self, opened: Opened) -> list[str]:
        """Folders with answers of a trial of the same name, but of other inputs."""
        strays = self._strays()
        return [path.name for path, summary in strays if summary["trial"] == opened.trial.name]

    def _strays(self) -> Iterator[tuple[Path, dict[str, Any]]]:
        """Answers that no trial owns by place, each with its summary; damaged ones left out."""
        for name in self.library.answer_folders():
            path = self.library.child(name)
            try:
                yield path, read_record(path)
            except InputError:  # another folder's fault is that folder's
                continue

    def _same_inputs(self, opened: Opened, inputs: dict[str, str]) -> bool:
        """Whether every input has the same hash; pictures and sound are hashed for it, once."""
        if not opened.hashes or is_stale(opened, inputs):
            return False
        mark = self.library.signature(opened.id)
        return all(
            self._hashes.get(f"{opened.id}/{name}", mark, partial(_hash_of, opened.path, name))
            == inputs[name]
            for name in inputs.keys() - opened.hashes.keys()
        )

    def answered(self, opened: Opened) -> Answered:
        """Its answers; raises Refused (404) where it has none."""
        answers = self.answers(opened)
        if answers is None:
            raise not_found(f"trial {opened.id} has no answers yet: run it")
        return answers

    def motion(self, answers: Answered) -> tuple[xr.Dataset, xr.Dataset]:
        """motion.nc and answers.nc, of a long record as many of its times as a screen shows."""
        return self._motions.get(
            str(answers.path), answers_stamp(answers.path), lambda: _load(answers.path)
        )

    def derived(self, name: str, signature: str, make: Callable[[], bytes]) -> bytes:
        """Bytes made of files with this signature: from memory, from the cache folder, or new."""
        mark = hashed(signature)

        def found() -> bytes:
            body = self._on_disk(name, mark)
            if body is None:
                body = make()
                _keep(self._file(name), f"{mark}\n".encode() + body)
            return body

        return self._bytes.get(name, mark, found)

    def known(self, name: str, signature: str) -> bytes | None:
        """What `derived` would give without making it; None where it has to be made."""
        return self._on_disk(name, hashed(signature))

    def _file(self, name: str) -> Path | None:
        place = self.library.cache()
        file = None if place is None else place / name
        return None if file is None or file.is_symlink() else file

    def _on_disk(self, name: str, mark: str) -> bytes | None:
        file, head = self._file(name), f"{mark}\n".encode()
        if file is None or not file.is_file():
            return None
        try:
            body = file.read_bytes()
        except OSError:
            return None
        return body[len(head) :] if body.startswith(head) else None


def read(name: str, path: Path, mends: bytes | None = None) -> Opened:
    """Read a trial folder with its mends, or with `mends` in their place.

    Cameras whose points are still in their pictures come along without points.
    """
    folder = Folder(path, mends=mends)
    description = read_description(folder, path)
    trial = assembled(folder, description, pictured=True)
    return Opened(name, path, trial, description, dict(folder.hashes))


def read_alone(name: str, path: Path) -> Opened:
    """Answers as a trial of which nothing but name and length is known; InputError if damaged."""
    summary, station = read_record(path), read_motion(path, 2)["station"].values
    ends, unknown = station[[0, -1]], np.full(2, np.nan)
    nothing = Markers(np.empty(0), (), np.empty((0, 0, 3)), np.empty((0, 0)), np.empty(0))
    about = {key: summary["provenance"].get(key) for key in ("specimen", "thrower", "date")}
    trial = Trial(summary["trial"], Line(ends, unknown, unknown), nothing, **about)
    return Opened(name, path, trial, Fields("trial.toml", {}, (), {}), {}, alone=True)


def _answered(opened: Opened, path: Path) -> Answered:
    try:
        summary = read_record(path)
    except InputError as fault:
        return Answered(path, {}, True, str(fault))
    stale = not opened.alone and is_stale(opened, summary["provenance"]["inputs"])
    return Answered(path, summary, stale)


def _hash_of(path: Path, name: str) -> str:
    """The hash of pictures or of a file as `reconstruct` takes it; empty where it cannot be."""
    folder = Folder(path)
    try:
        folder.files(name, "trial.toml", None, name)
    except InputError:
        return ""
    return folder.hashes.get(name, "")


def is_stale(opened: Opened, inputs: dict[str, str]) -> bool:
    """Whether answers with these input hashes were made of other files or other mends."""
    mends = f"{opened.path.name}.mends.toml"
    changed = any(inputs.get(key) != value for key, value in opened.hashes.items())
    return changed or (mends in inputs and mends not in opened.hashes)


def answers_stamp(path: Path) -> str:
    """Changes whenever answers were replaced."""
    return "".join(stamp(path / name) for name in ("motion.nc", "answers.nc", "summary.json"))


def _load(path: Path) -> tuple[xr.Dataset, xr.Dataset]:
    return read_motion(path, SHOWN), read_lists(path, SHOWN)


def hashed(signature: str) -> str:
    """A signature as one word; the program's version is part of it."""
    return hashlib.sha256(f"{__version__}|{signature}".encode()).hexdigest()


def _keep(file: Path | None, body: bytes) -> None:
    from lashwave.files import replace_file

    if file is None:
        return
    try:
        replace_file(file, lambda aside: aside.write_bytes(body))
    except OSError:
        return


def place_of(path: Path) -> tuple[Path, str]:
    """The folder to serve, and the place within the pages, for a trial, answers or a folder.

    A trial's mends and answers lie beside it, so its parent is served.
    """
    path = path.resolve()
    library = Library(path.parent)
    if library.is_trial(path):
        return path.parent, f"#/trial/{quote(path.name, safe='')}"
    if not is_answers(path):
        return path, ""
    reader, name = Reader(library), path.name
    for trial in library.ids():
        with contextlib.suppress(InputError, Refused):  # a broken trial is not theirs
            answers = reader.answers(reader.trial(trial))
            if answers is not None and answers.path == path:
                name = trial
    return path.parent, f"#/trial/{quote(name, safe='')}"
