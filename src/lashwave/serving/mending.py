"""The mends of a trial as the pages change them: checked, undone, and never lost to another writer.

A list is written only over the very file that its writer had read: each file has a tag (the hash
of its bytes), and a write that names another is refused (RFC 9110, If-Match). Tag and write stand
under a lock of the file system, so that two servers cannot pass each other.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lashwave.files import (
    LARGEST_DESCRIPTION,
    MEND_FIELDS,
    MOST_MENDS,
    mends_text,
    parse_mends,
    replace_file,
)
from lashwave.quantities import InputError
from lashwave.serving.library import Library
from lashwave.serving.opened import read
from lashwave.serving.replies import Refused

STEPS = 200
"""Changes that can be undone."""
NONE = "none"
"""Tag of a file that is not there."""


class Mending:
    """Reads and writes TRIAL.mends.toml beside the trials of a library."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._steps: dict[str, dict[str, list[str]]] = {}

    def get(self, name: str) -> dict[str, Any]:
        """The list with its tag, and how many steps can be undone and redone."""
        return self._state(name, self._text(name))

    def put(self, name: str, mends: Any, tag: str | None) -> dict[str, Any]:
        """Write a whole list over the file with this tag.

        Raises
        ------
        Refused
            409 where the file has another tag by now, 422 where a mend is at fault.
        """
        if not isinstance(mends, list) or any(not isinstance(m, dict) for m in mends):
            raise Refused(422, "a list of mends is expected", "mends")
        if len(mends) > MOST_MENDS:
            raise Refused(422, f"{len(mends)} mends; expected at most {MOST_MENDS}", "mends")
        with self._locked(name):
            before = self._text(name)
            self._match(name, before, tag)
            try:
                text = mends_text(mends, before or b"") if mends or before else b""
            except (TypeError, ValueError) as error:
                raise Refused(422, f"a mend cannot be written: {error}", "mends") from None
            self._check(name, text)
            self._step(name, before, text)
            return self._write(name, text)

    def undo(self, name: str, tag: str | None) -> dict[str, Any]:
        """Take back the last change that this server made."""
        return self._turn(name, tag, "undo", "redo")

    def redo(self, name: str, tag: str | None) -> dict[str, Any]:
        """Make the change again that was taken back last."""
        return self._turn(name, tag, "redo", "undo")

    def _turn(self, name: str, tag: str | None, source: str, target: str) -> dict[str, Any]:
        with self._locked(name):
            before = self._text(name)
            self._match(name, before, tag)
            steps = self._history(name, before)
            if not steps[source]:
                raise Refused(409, f"there is nothing to {source}", **self._state(name, before))
            text = steps[source].pop().encode()
            self._check(name, text)
            steps[target].append((before or b"").decode("utf-8", "replace"))
            return self._write(name, text, steps)

    def _state(self, name: str, text: bytes | None) -> dict[str, Any]:
        where = f"{name}.mends.toml"
        try:
            mends = [m.table for m in parse_mends(text, where)] if text else []
            fault = None
        except InputError as found:
            mends, fault = [], str(found)
        steps = self._history(name, text)
        return {
            "etag": _tag(text),
            "mends": mends,
            "undo": len(steps["undo"]),
            "redo": len(steps["redo"]),
            "kinds": list(MEND_FIELDS),
            "fields": MEND_FIELDS,
            "fault": fault,
        }

    def _text(self, name: str) -> bytes | None:
        path = self._library.mends(name)
        if not path.is_file():
            return None
        if path.stat().st_size > LARGEST_DESCRIPTION:
            raise Refused(422, f"{path.name} is too large for mends", "mends")
        return path.read_bytes()

    def _match(self, name: str, text: bytes | None, tag: str | None) -> None:
        if tag is None:
            raise Refused(428, "say which list is replaced: send its tag as If-Match", "If-Match")
        if tag.strip().removeprefix("W/").strip('"') != _tag(text):
            state = self._state(name, text)
            raise Refused(409, "the mends were changed meanwhile; look at them again", **state)

    def _check(self, name: str, text: bytes) -> None:
        """Refused (422) where the trial cannot be read with these mends, though it can without."""
        path = self._library.trial(name)
        try:
            read(name, path, text)
        except InputError as fault:
            if "mends.toml" not in fault.where:
                try:
                    read(name, path, b"")
                except InputError:
                    return  # the trial itself is at fault, and a mend may be what cures it
            raise Refused(422, str(fault), fault.field) from None

    def _write(
        self, name: str, text: bytes, steps: dict[str, list[str]] | None = None
    ) -> dict[str, Any]:
        path = self._library.mends(name)
        if text:
            replace_file(path, lambda aside: aside.write_bytes(text))
        else:
            path.unlink(missing_ok=True)
        steps = self._steps[name] if steps is None else steps
        self._keep(name, text, steps)
        return self._state(name, text or None)

    def _step(self, name: str, before: bytes | None, text: bytes) -> None:
        steps = self._history(name, before)
        if text != (before or b""):
            steps["undo"].append((before or b"").decode("utf-8", "replace"))
            del steps["undo"][:-STEPS]
            steps["redo"].clear()
        self._steps[name] = steps

    def _history(self, name: str, text: bytes | None) -> dict[str, list[str]]:
        """Steps to undo and redo; none of them where someone else changed the file since."""
        file = self._history_file(name)
        try:
            kept = json.loads(file.read_text("utf-8")) if file is not None else {}
        except (OSError, ValueError, RecursionError):
            kept = {}
        if not _steps_good(kept) or kept.get("etag") != _tag(text):
            held = self._steps.get(name, {}) if file is None else {}
            return {"undo": list(held.get("undo", [])), "redo": list(held.get("redo", []))}
        return {"undo": list(kept["undo"]), "redo": list(kept["redo"])}

    def _keep(self, name: str, text: bytes, steps: dict[str, list[str]]) -> None:
        self._steps[name] = steps
        if (file := self._history_file(name)) is not None:
            record = json.dumps({"etag": _tag(text or None), **steps})
            replace_file(file, lambda aside: aside.write_text(record, "utf-8"))

    def _history_file(self, name: str) -> Path | None:
        place = self._library.cache()
        return None if place is None else place / f"{name}.steps.json"

    @contextmanager
    def _locked(self, name: str) -> Iterator[None]:
        """Alone with the mends of a trial, among all threads and servers of this folder."""
        self._library.trial(name)
        place = self._library.cache()
        if place is None:
            raise Refused(403, "the folder cannot be written to", None)
        with (place / f"{name}.lock").open("a") as stream:
            fcntl.flock(stream, fcntl.LOCK_EX)
            try:
                yield
            finally:
                fcntl.flock(stream, fcntl.LOCK_UN)


def _steps_good(kept: Any) -> bool:
    """Whether a kept history is one: two lists of texts."""
    if not isinstance(kept, dict):
        return False
    steps = [kept.get(key) for key in ("undo", "redo")]
    return all(isinstance(s, list) and all(isinstance(t, str) for t in s) for s in steps)


def _tag(text: bytes | None) -> str:
    return NONE if not text else hashlib.sha256(text).hexdigest()[:32]
