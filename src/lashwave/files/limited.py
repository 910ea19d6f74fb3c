"""Code in a child process with limits: for libraries that crash or never end on a damaged file."""

from __future__ import annotations

import os
import resource
import subprocess
import sys


def limited(code: str, *words: str, seconds: float, memory: int) -> str | None:
    """What Python code prints in a process of its own; None where it fails or takes too long.

    Parameters
    ----------
    words : what the code finds in `sys.argv[1:]`.
    seconds : of the processor; by the clock three times that, for a busy machine [s].
    memory : address space of the child [bytes].
    """

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 1))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", code, *words],
            capture_output=True,
            timeout=3 * seconds,
            preexec_fn=limit,
            check=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
        return done.stdout.decode("utf-8")
    except (subprocess.SubprocessError, OSError, ValueError):
        return None
