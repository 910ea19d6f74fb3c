"""A folder or file put in the place of another in one step: no reader sees half of it.

What is being written lies beside its place under a name of its own, `.NAME.xxxxxxxx.part`, and is
locked by its writer. A writer that was killed leaves it unlocked, and the next one sweeps it away.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from lashwave.files.disk_room import need_room, no_room

_HERE = -100  # AT_FDCWD: names are relative to the working folder (linux/fcntl.h)
_EXCHANGE = 2  # RENAME_EXCHANGE: both names change places (linux/fs.h)
_PART = re.compile(r"\.(?P<name>.+)\.[a-z0-9_]{8}\.(?P<kind>part|old)")
_EARLIER = re.compile(r"\.writing-[a-z0-9_]{8}")
"""What version 0.1 left in its --out."""


def is_part(name: str) -> bool:
    """Whether a name is that of something half-written by this program."""
    return bool(_PART.fullmatch(name) or _EARLIER.fullmatch(name))


def sweep(folder: Path, name: str | None = None) -> None:
    """Remove what killed writers left in a folder; with `name`, of that name alone.

    What another process is writing is locked, and stays. Where an earlier answer was moved away
    and nothing has its place yet, it is put back.
    """
    try:
        names = [n for n in os.listdir(folder) if is_part(n)]
    except OSError:
        return
    for one in names:
        match = _PART.fullmatch(one)
        if name is not None and (match is None or match["name"] != name):
            continue
        path = folder / one
        with contextlib.suppress(OSError), _alone(folder), _held(path):
            place = None if match is None else folder / match["name"]
            if match is not None and match["kind"] == "old" and not os.path.lexists(str(place)):
                path.rename(str(place))
            else:
                _remove(path)


def replace_folder(out: Path, fill: Callable[[Path], None], *, others: bool = False) -> None:
    """Call `fill` with a new folder beside `out`, then move it to `out`.

    What stood at `out` before is kept until the new folder is complete, and removed after it is
    in place. Where `fill` fails or is interrupted, `out` is as it was.

    Parameters
    ----------
    others : keep what `out` holds beside what `fill` writes.

    Raises
    ------
    DiskFullError
        Where there is no room.
    """
    out = Path(os.path.abspath(out))
    made = [p for p in (out.parent, *out.parent.parents) if not p.exists()]
    out.parent.mkdir(parents=True, exist_ok=True)
    sweep(out.parent, out.name)
    try:
        with aside_folder(out) as aside:
            fill(aside)
            if others and out.is_dir():
                _carry(out, aside)
            _flush(aside)
            if out.is_dir() and not out.is_symlink() and not any(out.iterdir()):
                out.rmdir()
            if out.exists() or out.is_symlink():
                _exchange(aside, out)
            else:
                aside.rename(out)
    finally:
        if not out.exists():
            for parent in made:
                with contextlib.suppress(OSError):
                    parent.rmdir()


def write_files(out: Path, files: Mapping[str, bytes], *, others: bool = False) -> None:
    """Write named contents to the folder `out`, as a whole or not at all.

    Parameters
    ----------
    files : by name; a folder's name may stand before it.
    others : keep what `out` holds beside them.

    Raises
    ------
    DiskFullError
        Before anything is written, where there is no room for all of it.
    """
    need_room(out, sum(len(content) for content in files.values()))

    def fill(folder: Path) -> None:
        for name, content in files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)

    replace_folder(out, fill, others=others)


def replace_file(path: Path, fill: Callable[[Path], object]) -> None:
    """Call `fill` with a new name beside `path`, then move what it wrote to `path`.

    Where `fill` fails or is interrupted, `path` is as it was. The folder must exist.

    Raises
    ------
    DiskFullError
        Where there is no room.
    """
    with _alone(path.parent):
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        _lock(handle)
    aside = Path(name)
    try:
        aside.chmod(0o666 & ~_mask())
        with no_room(aside):
            fill(aside)
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
        os.close(handle)


@contextlib.contextmanager
def aside_folder(out: Path) -> Iterator[Path]:
    """A new folder beside `out`, locked while it is filled, and gone afterwards."""
    with _alone(out.parent), no_room(out):
        aside = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
        handle = os.open(aside, os.O_RDONLY)
        _lock(handle)
    try:
        aside.chmod(0o777 & ~_mask())
        with no_room(aside):
            yield aside
    finally:
        _remove(aside)
        os.close(handle)


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Alone among writers and sweepers of a folder, so that a new part is locked when seen."""
    if is_part(folder.name):  # its writer holds it, and nobody sweeps within
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        _lock(handle)
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    """Wait for an open file or folder and hold it; a file system that knows no locks gives none."""
    with contextlib.suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_EX)


@contextlib.contextmanager
def _held(path: Path) -> Iterator[None]:
    """Hold a part that nobody writes; BlockingIOError where somebody does."""
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    finally:
        os.close(handle)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _carry(out: Path, aside: Path) -> None:
    """Second names in `aside` of all that `out` holds and `aside` does not."""
    for path in out.iterdir():
        target = aside / path.name
        if is_part(path.name) or (target.exists() and not target.is_dir()):
            continue
        if path.is_symlink() or not path.is_dir():
            linked(path, target)
        else:
            target.mkdir(exist_ok=True)
            _carry(path, target)


def linked(path: Path, target: Path) -> None:
    """A second name of the same file, or a copy where the file system gives none."""
    try:
        os.link(path, target, follow_symlinks=False)
    except OSError:
        shutil.copy2(path, target, follow_symlinks=False)


def _mask() -> int:
    """Permissions that a new file or folder does not get: `tempfile` gives the owner's alone."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _flush(folder: Path) -> None:
    """Ask the disk to keep every file before the names change."""
    for path in folder.rglob("*"):
        if path.is_file() and not path.is_symlink():
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
