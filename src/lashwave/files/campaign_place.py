"""Where a campaign keeps each throw: its answers and what became of it, whole or not at all.

    DIR/throws/NAME/trial.json    what became of it, and of which inputs
    DIR/throws/NAME/answers/      what `reconstruct` writes, where it came to an end

The folder appears in one step, so a throw that is marked done has all its answers, and a run that
was killed at any moment finds in it what is finished and nothing else.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from lashwave.files.source import sha256
from lashwave.files.swap import is_part, replace_folder
from lashwave.quantities import InputError

THROWS, MARK, ANSWERS, LOG = "throws", "trial.json", "answers", "log.jsonl"
MENDS = ".mends.toml"
RECORD = "campaign.json"
DONE, FAILED = "done", "failed"


@dataclass(frozen=True)
class Mark:
    """What became of one throw."""

    key: str
    """Of its inputs and of what was asked."""
    state: str
    """done or failed"""
    reason: str = ""
    """Why it failed."""
    seconds: float = 0.0
    """That it took."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What the work said of it, beside its answers."""
    earlier: tuple[str, ...] = ()
    """Reasons why it failed before, oldest first."""


def read_mark(place: Path) -> Mark | None:
    """What became of a throw; None where that cannot be read, or the answers are gone."""
    try:
        record = json.loads((place / MARK).read_text(encoding="utf-8"))
        mark = Mark(**{**record, "earlier": tuple(record["earlier"])})
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None
    if mark.state == DONE and not (place / ANSWERS).is_dir():
        return None
    return mark


def keep(place: Path, mark: Callable[[], Mark], fill: Callable[[Path], object]) -> None:
    """Let `fill` write the answers, then put them and the mark in the throw's place at once.

    mark : called when the answers are whole. Where `fill` fails, the place is as it was.
    """

    def whole(aside: Path) -> None:
        fill(aside / ANSWERS)
        _write_mark(aside, mark())

    replace_folder(place, whole)


def keep_failure(place: Path, mark: Mark) -> None:
    """Put the reason of a failure in the throw's place."""
    replace_folder(place, lambda aside: _write_mark(aside, mark))


def _write_mark(folder: Path, mark: Mark) -> None:
    text = json.dumps(asdict(mark), indent=1, allow_nan=False)
    (folder / MARK).write_text(text + "\n", encoding="utf-8")


def note(out: Path, event: str, trial: str, **more: Any) -> None:
    """Add a line to the campaign's log, whole: who began and ended what, and when."""
    line = {"event": event, "trial": trial, "pid": os.getpid(), "time": time.time(), **more}
    handle = os.open(out / LOG, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
    try:
        os.write(handle, (json.dumps(line) + "\n").encode())
    finally:
        os.close(handle)


def read_log(out: Path) -> list[dict[str, Any]]:
    """The lines of the log; one that a kill cut off is passed over."""
    found = []
    try:
        text = (out / LOG).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return []
    for line in text.splitlines():
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(record, dict):
            found.append(record)
    return found


def finished(out: Path) -> list[tuple[Path, Path]] | None:
    """Trial folders of a campaign's finished throws and their answers; None of another folder.

    Raises InputError where the campaign's own record cannot be read.
    """
    file = out / RECORD
    if not file.is_file():
        return None
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
        found = [(Path(one["folder"]), out / one["answers"]) for one in record["ranked"]
                 if one["state"] == DONE]  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise InputError(file, "is no record of a campaign", "run `lashwave campaign`") from None
    return sorted(found)


def inputs_of(folder: Path) -> dict[str, Path]:
    """Every file of a trial's folder by its path within, and its mends, which lie beside it."""
    root = folder.resolve()
    found = {
        path.relative_to(root).as_posix(): path
        for path in sorted(root.rglob("*"))
        if path.is_file() and not any(is_part(part) for part in path.relative_to(root).parts)
    }
    mends = root.parent / f"{root.name}{MENDS}"
    return {**found, f"../{mends.name}": mends} if mends.is_file() else found


def stamps_of(files: Mapping[str, Path]) -> list[list[Any]]:
    """What changes when a file is written, so that large films are not read again to be known."""
    found = []
    for name, path in files.items():
        status = path.stat()
        found.append([name, status.st_size, status.st_mtime_ns])
    return found


def content_of(files: Mapping[str, Path]) -> str:
    """SHA-256 over the names and contents of files; raises InputError for one it cannot read."""
    whole = hashlib.sha256()
    for name, path in files.items():
        try:
            whole.update(f"{sha256(path)}  {name}\n".encode())
        except OSError as error:
            raise InputError(path, f"cannot be read ({error.strerror})", "check it") from None
    return whole.hexdigest()


def packed(files: Mapping[str, Path]) -> bytes:
    """Files with their names as one archive in memory."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", strict_timestamps=False) as archive:
        for name, path in files.items():
            archive.write(path, name.replace("../", "beside/", 1))
    return out.getvalue()


def unpacked(content: bytes, folder: Path) -> None:
    """Write the files of an archive to a folder; mends go beside it, under its name."""
    folder.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in archive.namelist():
            if name.startswith("beside/"):
                mends = folder.parent / f"{folder.name}{MENDS}"
                mends.write_bytes(archive.read(name))
            else:
                archive.extract(name, folder)
