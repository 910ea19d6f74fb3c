"""Work done in a process of its own while this one goes on: what Python itself takes time over.

Drawing figures and packing files are Python's own work, which two threads of one process cannot do
at the same time. A process that is forked has all that this one holds, and copies nothing of it.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any, TypeVar

Found = TypeVar("Found")
CAN_FORK = sys.platform.startswith("linux")
"""Elsewhere a system's own libraries may not bear it."""


@contextmanager
def aside(work: Callable[[], Found], alone: bool) -> Iterator[Callable[[], Found]]:
    """Begin `work` in another process; what is given waits for its result.

    What cannot be done there is done here, when it is asked for, and raises what it raises: with
    `alone` (no second core), on a system that cannot fork, and where that process fails.
    """
    if alone or not CAN_FORK:
        yield work
        return
    context: Any = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_done, args=(work, there, here), daemon=True)
    process.start()
    there.close()

    def result() -> Found:
        try:
            found: Found = pickle.loads(here.recv_bytes())
        except (EOFError, OSError, pickle.UnpicklingError):
            return work()
        return found

    try:
        yield result
    finally:
        process.kill()
        process.join()
        here.close()


def _done(work: Callable[[], Any], there: Connection, here: Connection) -> None:
    """Send what the work gives, and end without what this process would do at its end."""
    for which in (signal.SIGINT, signal.SIGTERM):
        signal.signal(which, signal.SIG_DFL)
    here.close()
    try:
        there.send_bytes(pickle.dumps(work(), protocol=pickle.HIGHEST_PROTOCOL))
    except BaseException:
        os._exit(1)  # nothing was sent: the other one does the work and says what is wrong
    os._exit(0)
