"""A folder or file put in the place of another in one step: no reader sees half of it."""

from __future__ import annotations

import ctypes
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

_HERE = -100  # AT_FDCWD: names are relative to the working folder (linux/fcntl.h)
_EXCHANGE = 2  # RENAME_EXCHANGE: both names change places (linux/fs.h)


def replace_folder(out: Path, fill: Callable[[Path], None]) -> None:
    """Call `fill` with a new folder beside `out`, then move it to `out`.

    What stood at `out` before is kept until the new folder is complete, and removed after it is
    in place. Where `fill` fails or is interrupted, `out` is as it was.
    """
    out = Path(os.path.abspath(out))
    made = [p for p in (out.parent, *out.parent.parents) if not p.exists()]
    out.parent.mkdir(parents=True, exist_ok=True)
    aside = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
    try:
        aside.chmod(0o777 & ~_mask())
        fill(aside)
        _flush(aside)
        if out.is_dir() and not out.is_symlink() and not any(out.iterdir()):
            out.rmdir()
        if out.exists() or out.is_symlink():
            _exchange(aside, out)
        else:
            aside.rename(out)
            made = []
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        if not out.exists():
            for parent in made:
                try:
                    parent.rmdir()
                except OSError:
                    break


def replace_file(path: Path, fill: Callable[[Path], object]) -> None:
    """Call `fill` with a new name beside `path`, then move what it wrote to `path`.

    Where `fill` fails or is interrupted, `path` is as it was. The folder must exist.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    aside = Path(name)
    try:
        aside.chmod(0o666 & ~_mask())
        fill(aside)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def _mask() -> int:
    """Permissions that a new file or folder does not get: `tempfile` gives the owner's alone."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _flush(folder: Path) -> None:
    """Ask the disk to keep every file before the names change."""
    for path in folder.iterdir():
        if path.is_file():
            with path.open("rb") as stream:
                os.fsync(stream.fileno())


def _exchange(aside: Path, out: Path) -> None:
    """Both folders change places; by two renames where the system cannot do it in one."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
        if call(_HERE, os.fsencode(aside), _HERE, os.fsencode(out), _EXCHANGE) == 0:
            return
    except (AttributeError, OSError):
        pass
    old = aside.with_suffix(".old")
    out.rename(old)
    try:
        aside.rename(out)
    except BaseException:
        old.rename(out)
        raise
    shutil.rmtree(old, ignore_errors=True)
