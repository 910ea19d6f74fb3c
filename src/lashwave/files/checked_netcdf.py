"""NetCDF files of answers, opened only where they are whole: the library may never end otherwise.

`summary.json` beside a file holds its hash. A file without one, of an earlier version or moved
elsewhere, is first read in a child process with limits.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from lashwave.files.limited import limited
from lashwave.files.source import sha256, stamp_of
from lashwave.quantities import InputError, LashwaveError

if TYPE_CHECKING:
    import xarray as xr

AGAIN = "reconstruct again"
SECONDS = 8.0
"""Of the processor, for a first look at a file without a hash [s]."""
MEMORY = 6 << 30
"""Address space of that look [bytes]: draws take some 0.6 GB unpacked."""

_LOOK = """
import sys, h5netcdf
with h5netcdf.File(sys.argv[1], "r") as file:
    dict(file.attrs), dict(file.dimensions)
    for variable in file.variables.values():
        dict(variable.attrs), variable.dimensions, variable[...]
print("whole")
"""


@contextmanager
def netcdf(file: Path) -> Iterator[xr.Dataset]:
    """An opened NetCDF-4 file; raises InputError where it, or what is read of it, is damaged."""
    import xarray as xr

    if not file.is_file():
        raise InputError(file, "there is no such file", "name a folder that `reconstruct` wrote")
    try:
        problem = _problem(file, stamp_of(file), stated_hash(file))
        if problem:
            raise InputError(file, problem, AGAIN)
        with xr.open_dataset(file, engine="h5netcdf", decode_times=False) as opened:
            yield opened
    except (LashwaveError, MemoryError):
        raise
    except Exception:  # the libraries raise many kinds for a file that is damaged
        raise InputError(file, "is not NetCDF-4 that can be read", AGAIN) from None


def stated_hash(file: Path) -> str | None:
    """SHA-256 of a file by the summary beside it; None where that does not name it."""
    try:
        record = json.loads((file.parent / "summary.json").read_text(encoding="utf-8"))
        found = record["provenance"]["files"][file.name]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return found if isinstance(found, str) else None


@lru_cache(maxsize=64)
def _problem(file: Path, stamp: tuple[int, ...], stated: str | None) -> str | None:
    """Why a file is not to be opened; looked for once as long as it is not written anew."""
    if stated is not None:
        whole = sha256(file) == stated
        return None if whole else "is not as `reconstruct` wrote it (SHA-256 in summary.json)"
    said = limited(_LOOK, str(file), seconds=SECONDS, memory=MEMORY)
    return None if said == "whole\n" else "is not NetCDF-4 that can be read"
