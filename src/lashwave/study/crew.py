"""Jobs done by processes of this machine, or by the workers of a Dask scheduler.

A process that is killed takes no finished job with it: its job is given out again. Dask does so by
itself; here a job that was running when a process died is done again. One that was lost three times
is done with no other beside it, so that a job which takes all memory ends no other.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any

from lashwave.mechanics import cores
from lashwave.quantities import InputError, LashwaveError

Job = Callable[..., Any]
LOSSES = 3
"""Times that a job is given out with others and lost with a process, before it runs alone."""
PATIENCE = 30
"""Time to wait for a first worker of a cluster [s]."""


@dataclass(frozen=True)
class Ended:
    """A job that came to an end."""

    name: str
    result: Any = None
    lost: str = ""
    """Why there is no result."""


class SchedulerLostError(LashwaveError):
    """The scheduler of a cluster cannot be reached any more."""


def local(job: Job, errands: Mapping[str, Any], workers: int) -> Iterator[Ended]:
    """Ends of `job(errand)` as they come, from processes of this machine.

    errands : by name, what each job is given; they can be pickled, as the job.
    """
    left, losses = dict(errands), Counter[str]()
    while left:
        together = [name for name in left if losses[name] < LOSSES]
        batch = together or [next(iter(left))]
        running: dict[Future[Any], str] = {}
        try:
            for ended in _pooled(job, {n: left[n] for n in batch}, running, workers):
                del left[ended.name]
                yield ended
        except BrokenProcessPool:
            losses.update(running.values())
            if not together:
                del left[batch[0]]
                yield Ended(batch[0], lost="its process is ended again and again, by the system "
                                           "perhaps for want of memory")  # fmt: skip


def _pooled(
    job: Job, errands: Mapping[str, Any], running: dict[Future[Any], str], workers: int
) -> Iterator[Ended]:
    """As `local`, until a process dies; `running` then holds the jobs that were lost."""
    queue = iter(errands.items())
    count = min(workers, len(errands))
    context = multiprocessing.get_context("spawn")
    before = {child.pid for child in multiprocessing.active_children()}
    pool = ProcessPoolExecutor(count, context, initializer=_begin)
    try:
        while True:
            for name, errand in queue:
                running[pool.submit(job, errand)] = name
                if len(running) == count:
                    break
            if not running:
                break
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                result = future.result()
                yield Ended(running.pop(future), result)
        pool.shutdown()
    finally:
        # Reached with children only where the user stopped or a process died: none is waited for.
        pool.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            if child.pid not in before:
                child.kill()
                child.join()


def leave_with_parent() -> None:
    """End this process when the one that started it is gone, so that a kill leaves nothing."""
    from multiprocessing.connection import wait as until

    parent = multiprocessing.parent_process()
    if parent is not None:

        def watch() -> None:
            until([parent.sentinel])
            os._exit(1)

        threading.Thread(target=watch, daemon=True).start()


def _begin() -> None:
    """A worker ends with its parent, and leaves Ctrl-C to it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leave_with_parent()


def mapped(ask: Callable[[Any], Any], every: Sequence[Any], processes: int | None) -> list[Any]:
    """`ask` of each, in order, on all cores unless `processes` says otherwise."""
    many = processes or cores()
    if many == 1:
        return [ask(one) for one in every]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(many, context, initializer=leave_with_parent) as pool:
        return list(pool.map(ask, every))


def cluster(
    job: Job, errands: Mapping[str, Callable[[], tuple[Any, ...]]], address: str, program: str
) -> Iterator[Ended]:
    """Ends of `job(*errand())` as they come, from the workers of a Dask scheduler.

    errands : by name, what makes the arguments of each; called when its turn comes, so that not
        all inputs are in memory at once. program : name and version of what the workers must have.

    Raises
    ------
    InputError : no scheduler at the address, no worker, or one of another version.
    SchedulerLostError : it was there and is gone.
    """
    from distributed import as_completed

    with _connected(address, program) as client:
        queue = iter(errands.items())
        names: dict[str, str] = {}

        def sent() -> Iterator[Any]:
            for name, make in queue:
                key = f"lashwave-{name}-{uuid.uuid4().hex}"
                names[key] = name
                yield client.submit(_by_itself, job, *make(), key=key, pure=False, retries=2)

        more = sent()
        cores = sum(client.nthreads().values())
        first = list(islice(more, 2 * max(cores, 1)))
        flow = as_completed(first, loop=client.loop)
        for future in flow:
            name = names.pop(future.key)
            if client.status != "running":
                raise SchedulerLostError(f"the scheduler at {address} is gone; what is finished "
                                         "is kept, run again when it is back")  # fmt: skip
            if future.status == "finished":
                yield Ended(name, future.result())
            else:
                problem = future.exception() if future.status == "error" else None
                yield Ended(name, lost=f"lost by the cluster ({problem or future.status})")
            future.release()
            following = next(more, None)
            if following is not None:
                flow.add(following)


def _by_itself(job: Job, *given: Any) -> Any:
    """Do a job on a worker, which asks the cluster for nothing while it does it.

    Otherwise xarray takes a lock of the cluster for every file, which fails for one in memory.
    """
    import dask

    dask.config.set(scheduler="synchronous")
    return job(*given)


def _connected(address: str, program: str) -> Any:
    """A client of a scheduler that has workers of this version."""
    from distributed import Client

    try:
        client = Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError):
        raise InputError(
            "--scheduler", f"no Dask scheduler answers at {address!r}",
            "start one with `dask scheduler`, and write its address as tcp://HOST:8786",
        ) from None  # fmt: skip
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
        said = client.run(partial(version_of, program.split()[0]))
    except TimeoutError:
        client.close()
        raise InputError(
            "--scheduler", f"{address} has no worker",
            f"start some with `dask worker {address} --nworkers N --nthreads 1`",
        ) from None  # fmt: skip
    except Exception as problem:  # a worker without the program cannot even read the question
        client.close()
        raise InputError(
            "--scheduler", f"its workers cannot run {program} ({type(problem).__name__})",
            "install the same version there",
        ) from None  # fmt: skip
    others = {v for v in said.values() if v != program}
    if others:
        client.close()
        raise InputError(
            "--scheduler", f"a worker has {sorted(others)[0]}, not {program}",
            "install the same version there",
        )  # fmt: skip
    return client


def version_of(name: str) -> str:
    """Name and version of an installed program, on the machine that runs this."""
    from lashwave import __version__

    return f"{name} {__version__}"
