"""Arrays kept between runs: plain NPZ, no pickle, whole or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.files.swap import replace_file


def keep(path: Path, arrays: dict[str, NDArray[np.generic]]) -> None:
    """Write named arrays; the folder is made where it is absent."""
    path.parent.mkdir(parents=True, exist_ok=True)

    def fill(aside: Path) -> None:
        with aside.open("wb") as file:
            np.savez_compressed(file, **arrays)  # type: ignore[arg-type]

    replace_file(path, fill)


def kept(path: Path) -> dict[str, NDArray[np.generic]] | None:
    """What was kept, or None where nothing that can be read was."""
    try:
        with np.load(path, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except MemoryError:
        raise
    except Exception:  # zipfile, zlib, struct and numpy raise many kinds for a damaged file
        return None
