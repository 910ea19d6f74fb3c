"""The one decorator of compiled kernels: numba's, with what it compiles kept.

Numba knows a kept kernel by its own file alone. After a change elsewhere it would go on with what a
kernel took in of the old sources, or fail on a module that has moved. So the kernels of a file have
a folder for each state of the sources that they can take in: those of the file and of all that it
imports, near or far. What changes elsewhere leaves them as they are.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Callable
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any, TypeVar

import numba as nb

from lashwave.mechanics.taken_in import kernel_of

Kernel = TypeVar("Kernel", bound=Callable[..., Any])
HOUSE = Path(__file__).parents[1]
_IMPORT = re.compile(r"^[ \t]*from lashwave((?:\.\w+)*) import (\([^)]*\)|[^\n#]*)", re.MULTILINE)
_DOOR = re.compile(r"^from \.(\w+) import (\([^)]*\)|[^\n#]*)", re.MULTILINE)
_BARE = re.compile(r"^[ \t]*import lashwave", re.MULTILINE)


def sources(file: Path, house: Path) -> frozenset[Path]:
    """A file of the package and all of the package that it imports, near or far.

    A name that a room's door gives is looked up there; where it is not found, and after a plain
    `import lashwave...`, every file of the room, or of the house, counts.
    """
    found, left = set[Path](), [file]
    while left:
        one = left.pop()
        if one not in found:
            found.add(one)
            left += _imported(one, house)
    return frozenset(found)


@cache
def _imported(file: Path, house: Path) -> tuple[Path, ...]:
    text = file.read_text(encoding="utf-8")
    if _BARE.search(text):
        return tuple(sorted(house.rglob("*.py")))
    found: list[Path] = []
    for place, names in _IMPORT.findall(text):
        target = house.joinpath(*place.split(".")[1:])
        if target.with_suffix(".py").is_file():
            found.append(target.with_suffix(".py"))
            continue
        for name in _names(names):
            found += _behind(target, name)
    return tuple(found)


def _behind(room: Path, name: str) -> list[Path]:
    """The file in which a room's name stands."""
    own, door = room / f"{name}.py", _door(room).get(name)
    if own.is_file():
        return [own]
    if door is not None and door.is_file():
        return [door]
    return sorted((room / name if (room / name).is_dir() else room).rglob("*.py"))


@cache
def _door(room: Path) -> dict[str, Path]:
    """By name, the file that a room's `__init__.pyi` takes it from."""
    stub = room / "__init__.pyi"
    text = stub.read_text(encoding="utf-8") if stub.is_file() else ""
    return {
        name: room / f"{module}.py" for module, names in _DOOR.findall(text)
        for name in _names(names)
    }  # fmt: skip


def _names(listed: str) -> list[str]:
    words = re.sub(r"#[^\n]*", "", listed).strip("() \n").split(",")
    return [word.split()[0] for word in words if word.split()]


def state_of(file: Path, house: Path) -> str:
    """What tells one state of all that a file's kernels can take in from another."""
    state = blake2b(digest_size=8)
    for source in sorted(sources(file, house)):
        state.update(str(source.relative_to(house)).encode() + b"\0" + source.read_bytes())
    return state.hexdigest()


@cache
def kept_apart(file: Path, house: Path = HOUSE) -> Path | None:
    """The folder for the kernels of a file as its sources are now, made; older ones are swept.

    None where the user names a folder (NUMBA_CACHE_DIR), where none can be made, or of a file that
    is not the package's: then numba chooses its own.
    """
    if "NUMBA_CACHE_DIR" in os.environ or not file.is_relative_to(house):
        return None
    name = ".".join(file.relative_to(house).with_suffix("").parts)
    own = house / "__pycache__" / f"kernels-{name}-{state_of(file, house)}"
    if not own.is_dir():
        try:
            own.mkdir(parents=True, exist_ok=True)
        except OSError:
            return None
        for other in own.parent.glob(f"kernels-{name}-*"):
            if other != own:
                with contextlib.suppress(OSError):
                    shutil.rmtree(other)
    return own


def compiled(**options: Any) -> Callable[[Kernel], Kernel]:
    """Compile a function when it is first called, and keep what was compiled on disk.

    options : of `numba.njit`, as `error_model="numpy"` (no test before each division).
    """

    def compile_(function: Kernel) -> Kernel:
        own = kept_apart(Path(function.__code__.co_filename))
        usual = nb.config.CACHE_DIR  # type: ignore[attr-defined]
        if own is not None:
            nb.config.CACHE_DIR = str(own)  # type: ignore[attr-defined]
        try:
            kernel: Kernel = kernel_of(function, **options)
        finally:
            nb.config.CACHE_DIR = usual  # type: ignore[attr-defined]
        return kernel

    return compile_
