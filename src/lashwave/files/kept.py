"""What is kept between runs, in files that hold numbers and text and can run nothing.

Arrays are plain NPZ without pickle. What a stopped search had found is one such file a part: its
array `tree`, JSON as UTF-8 bytes, holds the nouns by name with their numbers and text, and says
which array of the file stands where.
"""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.swap import replace_file
from lashwave.quantities import (
    ClockFit,
    ClockHealth,
    Fronts,
    Located,
    LocatedMarkers,
    Markers,
    RingHealth,
    TipTrack,
    TuftWidths,
)

NOUNS = {
    noun.__name__: noun
    for noun in (
        RingHealth, ClockFit, ClockHealth, Fronts, Located, LocatedMarkers, Markers, TipTrack,
        TuftWidths,
    )
}  # fmt: skip
"""What may be kept; nothing else is made when a file is read."""


def keep_arrays(path: Path, arrays: dict[str, NDArray[np.generic]]) -> None:
    """Write named arrays (any shape, no unit); the folder is made where it is absent."""
    path.parent.mkdir(parents=True, exist_ok=True)

    def fill(aside: Path) -> None:
        with aside.open("wb") as file:
            np.savez_compressed(file, **arrays)  # type: ignore[arg-type]

    replace_file(path, fill)


def kept_arrays(path: Path) -> dict[str, NDArray[np.generic]] | None:
    """What was kept (any shape, no unit), or None where nothing that can be read was."""
    try:
        with np.load(path, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except MemoryError:
        raise
    except Exception:  # zipfile, zlib, struct and numpy raise many kinds for a damaged file
        return None


def keep_finds(path: Path, inputs: str, found: object) -> None:
    """Write `found`, a noun or a tuple of nouns, numbers and text, whole or not at all.

    Parameters
    ----------
    inputs : what it was found in; `kept_finds` gives it back for the same alone.
    """
    arrays: dict[str, NDArray[Any]] = {}
    tree = json.dumps({"inputs": inputs, "found": _plain(found, arrays)})
    arrays["tree"] = np.frombuffer(tree.encode(), dtype=np.uint8)

    keep_arrays(path, arrays)


def kept_finds(path: Path, inputs: str) -> object | None:
    """What `keep_finds` wrote for these inputs; None where there is nothing of the kind."""
    stored = kept_arrays(path)
    try:
        tree = json.loads((stored or {})["tree"].tobytes().decode())
        return _noun(tree["found"], stored) if tree["inputs"] == inputs else None
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        return None


def _plain(value: Any, arrays: dict[str, NDArray[Any]]) -> Any:
    """JSON of a value; arrays go to `arrays` and leave their name."""
    if is_dataclass(value) and type(value).__name__ in NOUNS:
        parts = {f.name: _plain(getattr(value, f.name), arrays) for f in fields(value)}
        return {"noun": type(value).__name__, "parts": parts}
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if isinstance(value, tuple):
        return {"tuple": [_plain(v, arrays) for v in value]}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"{type(value).__name__} is not kept")


def _noun(tree: Any, stored: Any) -> Any:
    if not isinstance(tree, dict):
        return tree
    if "array" in tree:
        return stored[tree["array"]]
    if "tuple" in tree:
        return tuple(_noun(v, stored) for v in tree["tuple"])
    return NOUNS[tree["noun"]](**{k: _noun(v, stored) for k, v in tree["parts"].items()})
