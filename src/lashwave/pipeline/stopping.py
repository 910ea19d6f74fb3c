"""Ctrl-C, a hang-up and a request to end: each stops the work once, wherever it is."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_asked = threading.Event()


def asked() -> bool:
    """Whether the user asked to stop."""
    return _asked.is_set()


def heed() -> None:
    """Raise KeyboardInterrupt where the user asked to stop and a library swallowed it."""
    if _asked.is_set():
        raise KeyboardInterrupt


@contextlib.contextmanager
def answered(*, last: bool) -> Iterator[None]:
    """Signals raise KeyboardInterrupt within the block, once; what cleans up is not interrupted.

    Parameters
    ----------
    last : the process ends after the block: signals are ignored then.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    _asked.clear()
    # What the shell has a background job ignore, or `nohup` asked for, stays ignored.
    heard = [one for one in SIGNALS if signal.getsignal(one) != signal.SIG_IGN]
    before = {one: signal.signal(one, _stop) for one in heard}
    hook = sys.unraisablehook
    sys.unraisablehook = _unraised
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, signal.SIG_IGN if last else handler)
        if not last:
            sys.unraisablehook = hook


def _stop(number: int, frame: FrameType | None) -> None:
    if not _asked.is_set():
        _asked.set()
        raise KeyboardInterrupt


def _unraised(said: Any) -> None:
    """What a library's finaliser complains of changes nothing: it is no second line to the user.

    A stop that fell into one cannot be raised there; `heed` does so later.
    """
