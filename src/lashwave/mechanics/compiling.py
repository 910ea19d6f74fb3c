"""The one decorator of compiled kernels: numba's, with the types of what it compiles kept.

Numba knows a kept kernel by its own file alone. After a change elsewhere it would go on with what a
kernel took in of the old sources, or fail on a module that has moved, so each state of the sources
has a folder of its own.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable
from hashlib import blake2b
from pathlib import Path
from typing import Any, TypeVar

import numba as nb

Kernel = TypeVar("Kernel", bound=Callable[..., Any])
HOUSE = Path(__file__).parents[1]
ROOMS = ("quantities", "mechanics", "estimate")
"""Whose sources a kernel may take in."""


def state_of(house: Path) -> str:
    """What tells one state of the sources in the `ROOMS` of a folder from another."""
    state = blake2b(digest_size=8)
    for room in ROOMS:
        for source in sorted((house / room).glob("*.py")):
            state.update(source.name.encode() + b"\0" + source.read_bytes())
    return state.hexdigest()


def kept_apart(house: Path) -> Path | None:
    """The folder for the kernels of this state, made, those of others swept.

    None where the user names a folder (NUMBA_CACHE_DIR), or where none can be made: then numba
    chooses its own.
    """
    if "NUMBA_CACHE_DIR" in os.environ:
        return None
    own = house / "__pycache__" / f"kernels-{state_of(house)}"
    if not own.is_dir():
        try:
            own.mkdir(parents=True, exist_ok=True)
        except OSError:
            return None
        for other in own.parent.glob("kernels-*"):
            if other != own:
                with contextlib.suppress(OSError):
                    shutil.rmtree(other)
    return own


_own = kept_apart(HOUSE)
if _own is not None:
    nb.config.CACHE_DIR = str(_own)  # type: ignore[attr-defined]


def compiled(**options: Any) -> Callable[[Kernel], Kernel]:
    """Compile a function when it is first called, and keep what was compiled on disk.

    options : of `numba.njit`, as `error_model="numpy"` (no test before each division).
    """
    compile_: Callable[[Kernel], Kernel] = nb.njit(cache=True, **options)
    return compile_
