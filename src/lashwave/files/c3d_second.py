"""A second opinion on the labels of a C3D file: other readers, in a child process with limits.

The open readers crash, hang or return nothing on some files, so they never run in our process.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path

SECONDS = 20
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

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 1))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    for reader in ("ezc3d", "c3d"):
        try:
            done = subprocess.run(
                [sys.executable, "-I", "-c", _CHILD, str(path), reader],
                capture_output=True,
                timeout=seconds,
                preexec_fn=limit,
                check=True,
                env={"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )
            labels = json.loads(done.stdout.decode("utf-8").splitlines()[-1])
        except (subprocess.SubprocessError, OSError, ValueError, IndexError):
            continue
        if any(labels):
            return [str(label) for label in labels]
    return []
