"""How many threads one trial may take, and how work is shared among them.

One, unless the command that was typed allows more: where many trials run side by side, each of them
has a core. What is split comes out the same, bit for bit, whatever the number of threads: a piece
of work writes what is its own, and what is added up is added in a fixed order.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from threading import local
from typing import Any, TypeVar

from lashwave.quantities import InputError

SETTING = "LASHWAVE_THREADS"
"""Name in the environment."""
Asked = TypeVar("Asked")
Found = TypeVar("Found")


@dataclass
class _Allowed:
    count: int = 1
    pool: ThreadPoolExecutor | None = None


_allowed = _Allowed()
_own = local()
"""Of each thread: whether it works on a piece already, which is not split again."""


def cores() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def chosen_threads() -> int:
    """How many threads a command takes that reconstructs one trial and was told none.

    As many as the environment names, else one for each processor that it may use.

    Raises InputError where the environment names what is no number of threads.
    """
    told = os.environ.get(SETTING, "").strip()
    if not told:
        return cores()
    if not told.isdigit() or int(told) < 1:
        raise InputError(SETTING, f"{told!r} is not a number of threads", "set 1 or more")
    return int(told)


def threads() -> int:
    """How many threads work may be split over here, this one among them."""
    return 1 if getattr(_own, "busy", False) else _allowed.count


@contextmanager
def on_threads(count: int) -> Iterator[None]:
    """While this lasts, work that can be split takes so many threads."""
    before = _allowed.count, _allowed.pool
    with ThreadPoolExecutor(max(1, count - 1)) as pool:
        _allowed.count, _allowed.pool = count, pool
        try:
            yield
        finally:
            _allowed.count, _allowed.pool = before


def shared_out(make: Callable[[int], None], count: int) -> None:
    """Call `make(0)` ... `make(count - 1)`, each once, in any order, on all threads."""
    in_order(make, None, count)


def each(ask: Callable[[Asked], Found], all_of: Iterable[Asked]) -> list[Found]:
    """`ask` of each, in order, asked on all threads."""
    asked = list(all_of)
    found: list[Any] = [None] * len(asked)

    def one(i: int) -> None:
        found[i] = ask(asked[i])

    shared_out(one, len(asked))
    return found


def both(one: Callable[[], Found], other: Callable[[], Asked]) -> tuple[Found, Asked]:
    """What both give, asked at the same time where there are threads."""
    found: dict[int, Any] = {}

    def ask(i: int) -> None:
        found[i] = (one, other)[i]()

    shared_out(ask, 2)
    return found[0], found[1]


def in_order(make: Callable[[int], None], take: Callable[[int], None] | None, count: int) -> None:
    """Call `make(i)` for all pieces on all threads, and `take(i)` in order in this one.

    Piece i is taken when all up to i are made. What either raises ends the work, and is raised when
    no thread works on it any more.
    """
    pool, many = _allowed.pool, min(threads(), count)
    if many == 1 or pool is None:
        for i in range(count):
            make(i)
            if take is not None:
                take(i)
        return
    made: list[Future[None]] = [Future() for _ in range(count)]
    left = iter(range(count))  # a step of it is one step of Python's: no piece is given out twice

    def work(until: Callable[[], bool]) -> None:
        _own.busy = True
        try:
            while not until() and (i := next(left, None)) is not None:
                _filled(made[i], make, i)
        finally:
            _own.busy = False

    others = [pool.submit(work, lambda: False) for _ in range(many - 1)]
    try:
        for i in range(count):
            work(made[i].done)
            made[i].result()
            if take is not None:
                take(i)
    finally:
        for _ in left:  # only where something was raised: nobody begins another piece
            pass
        for other in others:
            other.result()


def _filled(future: Future[None], make: Callable[[int], None], i: int) -> None:
    """Make a piece; what it raises is kept for the one who waits for it."""
    try:
        make(i)
    except BaseException as problem:
        future.set_exception(problem)
        raise
    future.set_result(None)


def ranges(count: int, least: int) -> list[tuple[int, int]]:
    """Ranges (first, one after the last) that make up 0 ... count - 1, one where one thread is.

    least : how long each is at least, where the whole is so long.
    """
    many = threads()
    pieces = 1 if many == 1 else max(1, min(PIECES * many, count // least))
    ends = [i * count // pieces for i in range(pieces + 1)]
    return list(itertools.pairwise(ends))


PIECES = 6
"""For each thread, at most: so that none waits long for the others at the end."""
