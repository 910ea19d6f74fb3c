"""A second opinion on the labels of a C3D file: other readers, in a child process with limits.

The open readers crash, hang or return nothing on some files, so they never run in our process.
"""

from __future__ import annotations

import json
from pathlib import Path

from lashwave.files.limited import limited

SECONDS = 8.0
"""Of the processor [s]."""
MEMORY = 2 << 30
"""Address space of the child [bytes]; a reader takes several times the file."""

_CHILD = """
import json, sys
path, reader = sys.argv[1:]
if reader == "ezc3d":
    import ezc3d
    labels = ezc3d.c3d(path)["parameters"]["POINT"]["LABELS"]["value"]
else:
    import c3d
    with open(path, "rb") as stream:
        labels = [str(label) for label in c3d.Reader(stream).point_labels]
print(json.dumps([str(label).strip() for label in labels]))
"""


def second_labels(path: Path, seconds: float = SECONDS, memory: int = MEMORY) -> list[str]:
    """Labels by ezc3d or, where that refuses, by c3d; empty where neither returns any in time."""
    for reader in ("ezc3d", "c3d"):
        said = limited(_CHILD, str(path), reader, seconds=seconds, memory=memory)
        try:
            labels = json.loads((said or "").splitlines()[-1])
        except (ValueError, IndexError):
            continue
        if any(labels):
            return [str(label) for label in labels]
    return []
