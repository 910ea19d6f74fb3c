"""Room on the disk, and leave to write there: asked before long work, said in one line."""

from __future__ import annotations

import contextlib
import errno
import math
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from lashwave.quantities import InputError, LashwaveError

_FULL = {errno.ENOSPC, errno.EDQUOT}
_MB = 1e6
SLACK = 1 << 20
"""What a file system takes for itself beside the content of files [bytes]."""


LEAST = 1 << 20
"""What any command writes, about [bytes]: asked for before it begins."""


class DiskFullError(LashwaveError):
    """There is no room for what is to be written."""


def need_room(out: Path, size: int) -> None:
    """Raise DiskFullError where the disk of `out` has no room for `size` bytes more."""
    free = free_bytes(out)
    if free is not None and size + SLACK > free:
        raise _full(out, size + SLACK, free)


def need_leave(out: Path, option: str = "--out") -> None:
    """Raise InputError where nothing can be written to the place of `out`, by trying it.

    Raises DiskFullError where there is no room to speak of.
    """
    whole = out.resolve()
    try:
        for place in {_standing(whole.parent), _standing(whole)}:
            handle, name = tempfile.mkstemp(prefix=f".{out.name}.", suffix=".part", dir=place)
            os.close(handle)
            os.unlink(name)
    except OSError as error:
        if error.errno in _FULL:
            raise _full(out, SLACK, free_bytes(out) or 0) from None
        raise InputError(
            option, f"{out} cannot be written ({error.strerror})", "name a folder of your own"
        ) from None
    need_room(out, LEAST)


@contextlib.contextmanager
def no_room(part: Path) -> Iterator[None]:
    """Raises DiskFullError, with the sizes, where the disk fills while `part` is written."""
    try:
        yield
    except OSError as error:
        if error.errno not in _FULL:
            raise
        held = size_of(part)
        raise _full(part, held + SLACK, free_bytes(part) or 0, "over ") from None


def free_bytes(path: Path) -> int | None:
    """Bytes that may still be written where `path` is or will be; None where nobody says."""
    try:
        return shutil.disk_usage(_standing(path)).free
    except OSError:
        return None


def size_of(path: Path) -> int:
    """Bytes of a file, or of all files below a folder."""
    files = [path] if path.is_file() else path.rglob("*")
    total = 0
    for one in files:
        with contextlib.suppress(OSError):
            total += one.lstat().st_size
    return total


def _standing(path: Path) -> Path:
    """The nearest folder around a path that is there."""
    path = Path(os.path.abspath(path))
    return next(p for p in (path, *path.parents) if p.is_dir())


def _full(out: Path, needed: int, free: int, about: str = "") -> DiskFullError:
    megabytes = math.ceil(10 * needed / _MB) / 10
    return DiskFullError(
        f"the disk of {_standing(out)} is full: {about}{megabytes:g} MB needed, "
        f"{free / _MB:.1f} MB free; make room and run again"
    )
