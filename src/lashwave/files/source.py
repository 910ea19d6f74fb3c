"""Bytes of a trial folder: paths that stay inside, text that is UTF-8, a hash of each file."""

from __future__ import annotations

import glob
import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from lashwave.quantities import InputError

BLOCK = 1 << 24
"""Bytes read at a time."""
LARGEST_DESCRIPTION = 4 << 20
"""A trial.toml larger than this is not one [bytes]."""


@dataclass
class Folder:
    """A trial folder that is being read: every file opened through it is inside, and hashed."""

    root: Path
    hashes: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    mends: bytes | None = None
    """Text of mends to take in place of the file beside the folder."""
    stamps: dict[str, tuple[int, ...]] = field(default_factory=dict)
    """Of each file that was hashed, how it was just before."""

    def refuse_changed(self) -> None:
        """Raise InputError where a file is not as it was when it was hashed."""
        for name, stamp in self.stamps.items():
            try:
                now = stamp_of(self.root / name)
            except OSError:
                now = ()
            if now != stamp:
                raise InputError(name, "changed while it was read", "run again when it is written")

    def file(self, name: str, where: str, line: int | None, key: str) -> Path:
        """The path of an input file named in `where`; hashed once.

        Raises
        ------
        InputError
            For a name that is absolute, leaves the folder (links too), is missing, empty or not
            a plain file.
        """
        path = self._plain(name, where, line, key)
        short = PurePosixPath(name).as_posix()
        if short not in self.hashes:
            self.hashes[short] = self._sha256(name, where, line, key)
        return path

    def files(self, pattern: str, where: str, line: int | None, key: str) -> list[str]:
        """Names of the input files that a pattern stands for, in name order; hashed once.

        A pattern is the plain name of a file, or has *, ? and [...] as in a shell. Several files
        have one hash under their pattern, that of the lines that `sha256sum` prints of them in
        name order: digest, two spaces, name.

        Raises
        ------
        InputError
            As `file`, for each of them, and where there is none.
        """
        resolved = self.inside(pattern, where, line, key)
        if resolved.exists() or not glob.has_magic(pattern):
            self.file(pattern, where, line, key)
            return [pattern]
        found = glob.glob(pattern, root_dir=self.root)
        names = sorted(PurePosixPath(name).as_posix() for name in found)
        if not names:
            raise InputError(
                where,
                f"no file matches {pattern[:80]!r}",
                "name files in the trial folder",
                line=line,
                field=key,
            )
        for name in names:
            self._plain(name, where, line, key)
        if pattern not in self.hashes:
            listing = hashlib.sha256()
            for name in names:
                listing.update(f"{self._sha256(name, where, line, key)}  {name}\n".encode())
            self.hashes[pattern] = listing.hexdigest()
        return names

    def _plain(self, name: str, where: str, line: int | None, key: str) -> Path:
        path = self.inside(name, where, line, key)

        def fault(problem: str, remedy: str) -> InputError:
            return InputError(where, problem, remedy, line=line, field=key)

        try:
            status = path.stat()
        except FileNotFoundError:
            raise fault(f"there is no file {name!r}", "name a file in the trial folder") from None
        except OSError as error:
            raise fault(
                f"{name!r} cannot be opened ({error.strerror})", "see that it may be read"
            ) from None
        if not stat.S_ISREG(status.st_mode):
            raise fault(f"{name!r} is not a plain file", "name a plain file")
        if status.st_size == 0:
            raise fault(f"{name!r} is empty", "export it again")
        return path

    def _sha256(self, name: str, where: str, line: int | None, key: str) -> str:
        try:
            self.stamps[name] = stamp_of(self.root / name)
            return sha256(self.root / name)
        except OSError as error:
            problem = f"{name!r} cannot be read ({error.strerror})"
            raise InputError(
                where, problem, "see that it may be read", line=line, field=key
            ) from None

    def inside(self, name: str, where: str, line: int | None, key: str) -> Path:
        """The resolved path of `name`, which must stay in the folder.

        Raises InputError for a name that is absolute, leaves the folder, or is no name.
        """
        fault = InputError(
            where,
            f"path {name[:80]!r} leaves the trial folder or is not usable",
            "use a relative path to a file inside the folder",
            line=line,
            field=key,
        )
        if not name.strip() or len(name) > 1000 or any(ord(c) < 32 for c in name) or "\\" in name:
            raise fault
        if os.path.isabs(name) or ".." in PurePosixPath(name).parts or name.startswith("~"):
            raise fault
        try:
            resolved = (self.root / name).resolve()
            root = self.root.resolve()
        except (OSError, RuntimeError, ValueError):
            raise fault from None
        if not resolved.is_relative_to(root):
            raise fault
        return resolved


def stamp_of(path: Path) -> tuple[int, ...]:
    """What changes when a file is written."""
    status = path.stat()
    return status.st_ino, status.st_size, status.st_mtime_ns


def sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(BLOCK):
            digest.update(block)
    return digest.hexdigest()


def decode(data: bytes, where: str, first_line: int = 1) -> str:
    """UTF-8 text; a byte-order mark is dropped.

    Raises InputError with the line for what is not UTF-8, or holds a NUL byte.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError(where, "is UTF-16", "save it as UTF-8", line=1, field="encoding")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = first_line + data[: error.start].count(b"\n")
        raise InputError(
            where, "is not UTF-8", "save it as UTF-8", line=line, field="encoding"
        ) from None
    if "\0" in text:
        line = first_line + text[: text.index("\0")].count("\n")
        raise InputError(where, "holds a NUL byte", "save it as text", line=line, field="encoding")
    return text


def blocks(path: Path, where: str) -> Iterator[tuple[int, str]]:
    """A text file in pieces that end at line ends: (line number of the first, text).

    Raises InputError for a line of over 16 MB, and what is not UTF-8.
    """
    line, rest = 1, b""
    with path.open("rb") as stream:
        while data := stream.read(BLOCK):
            data = rest + data
            cut = data.rfind(b"\n") + 1
            if cut == 0:
                if len(data) > BLOCK:
                    raise InputError(
                        where, "has a line of over 16 MB", "export it again", line=line
                    )
                rest = data
                continue
            yield line, decode(data[:cut], where, line)
            line += data.count(b"\n", 0, cut)
            rest = data[cut:]
    if rest:
        yield line, decode(rest, where, line)
