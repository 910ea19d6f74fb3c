"""Damaged input for every reader and every route: nothing but an answer or one line may come back.

    python benchmarks/fuzz.py [--count 10000] [--seed 19] [--workers 1] [--only NAME] [--keep]

Readers get their own files with bytes and fields changed, and fields of odd values that hypothesis
draws; routes get hostile names, bodies and tags, and pages are asked of damaged files. All is drawn
from the seed; several workers share the inputs, each with a seed of its own. Each kind runs in a
process of its own, so that a crash or a hang is counted and the rest goes on. What went wrong is
kept in build/fuzz. Exit status 0 where nothing did.
"""

from __future__ import annotations

import argparse
import faulthandler
import multiprocessing
import os
import pickle
import resource
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import (
    figures,
    fuzz_cameras,
    fuzz_questions,
    fuzz_server,
    fuzz_targets,
)
from benchmarks.figures import Figure
from benchmarks.fuzz_targets import Target, Wrong

KEPT = figures.ROOT / "build" / "fuzz"
SLOWEST = 10.0
"""No input may take longer [s of the processor]."""
STUCK = 60.0
"""Nor this long by the clock, however busy the machine is [s]."""
LARGEST = 1 << 20
"""No worker may grow by more [KiB]."""
WRONG = ("traceback", "hang", "crash", "memory")


@dataclass
class Tally:
    """What the inputs of all targets gave."""

    counts: Counter[str] = field(default_factory=Counter)
    rows: list[tuple[str, Counter[str]]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    slowest: float = 0.0
    grown: int = 0
    """Largest growth of a worker [KiB]."""

    def add(self, part: Tally) -> None:
        """Take in what another process counted."""
        self.counts += part.counts
        self.said += part.said
        rows = dict(self.rows)
        for name, own in part.rows:
            rows[name] = rows.get(name, Counter()) + own
        self.rows = list(rows.items())
        self.slowest = max(self.slowest, part.slowest)
        self.grown = max(self.grown, part.grown)

    @property
    def tried(self) -> int:
        return sum(n for kind, n in self.counts.items() if kind != "memory")

    @property
    def wrong(self) -> int:
        return sum(self.counts[kind] for kind in WRONG)


def peak() -> int:
    """Most memory that this process has held [KiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def worker(target: Target, count: int, seed: int, first: int, pipe: Connection) -> None:
    """Run a target's inputs from `first` on; says each before and after."""
    faulthandler.disable()
    out = os.open(os.devnull, os.O_WRONLY)
    os.dup2(out, 1), os.dup2(out, 2)
    begin = peak()
    for i, value in enumerate(target.inputs(count, seed)):
        if i < first:
            continue
        pipe.send(("begin", i, value))
        clock = time.process_time()
        try:
            kind, line = ("taken" if target.run(value) else "refused"), ""
        except Wrong as wrong:
            kind, line = "traceback", str(wrong)
        except BaseException as failure:
            rows = traceback.format_exception(failure)
            kind, line = "traceback", f"{type(failure).__name__}: {failure}"[:300] + "\n" + rows[-2]
        pipe.send(("end", kind, line, time.process_time() - clock))
    pipe.send(("done", peak() - begin, ""))


def run(target: Target, count: int, seed: int, tally: Tally) -> None:
    """All inputs of one target, a new worker after each that did not come back."""
    context, own, first = multiprocessing.get_context("fork"), Counter[str](), 0
    while first < count:
        ours, theirs = context.Pipe()
        process = context.Process(target=worker, args=(target, count, seed, first, theirs))
        process.start()
        theirs.close()
        first = _followed(target, process, ours, own, tally, first)
        process.join()
    tally.rows.append((target.name, own))
    tally.counts += own


def _followed(target, process, pipe: Connection, own, tally: Tally, first: int) -> int:  # type: ignore[no-untyped-def]
    """The first input that is left after this worker."""
    at, value = first, None
    while True:
        try:
            if not pipe.poll(STUCK if value is not None else None):
                process.kill()
                _wrong(target, at, value, "hang", f"over {STUCK:g} s", own, tally)
                return at + 1
            what, *rest = pipe.recv()
        except (EOFError, OSError):
            if value is None and process.exitcode == 0:
                return at
            _wrong(target, at, value, "crash", f"status {process.exitcode}", own, tally)
            return at + 1
        if what == "begin":
            at, value = rest
        elif what == "end":
            kind, line, took = rest
            tally.slowest = max(tally.slowest, took)
            if took > SLOWEST:
                kind, line = "hang", f"{took:.0f} s"
            if kind in WRONG:
                _wrong(target, at, value, kind, line, own, tally)
            else:
                own[kind] += 1
            at, value = at + 1, None
        else:
            tally.grown = max(tally.grown, rest[0])
            if rest[0] > LARGEST:
                _wrong(target, at, None, "memory", f"{rest[0] >> 10} MB", own, tally)
            return sys.maxsize


def _wrong(target: Target, at: int, value: object, kind: str, line: str, own, tally: Tally) -> None:  # type: ignore[no-untyped-def]
    own[kind] += 1
    tally.said.append(f"{target.name} {at}: {kind}: {line}")
    KEPT.mkdir(parents=True, exist_ok=True)
    name = f"{target.name.replace(' ', '-')}-{at}"
    (KEPT / name).write_bytes(value if isinstance(value, bytes) else pickle.dumps(value))
    print(f"  ! {tally.said[-1]}", flush=True)


def shares(targets: list[Target], count: int) -> list[int]:
    """How many inputs each target gets of `count`, by its share."""
    whole = sum(t.share for t in targets)
    counts = [int(count * t.share / whole) for t in targets]
    for i in range(count - sum(counts)):
        counts[i % len(counts)] += 1
    return counts


def fuzzed(
    count: int, seed: int, only: str = "", say: Callable[[str], object] = lambda text: None
) -> Tally:
    """Try `count` inputs in a folder of its own, in memory where the system has such a place."""
    shm = Path("/dev/shm")
    root = Path(tempfile.mkdtemp(prefix="lashwave-fuzz-", dir=shm if shm.is_dir() else None))
    tally = Tally()
    try:
        fuzz_targets.ready()
        fuzz_targets.made(root)
        targets = fuzz_targets.readers(root)
        for more in (fuzz_cameras, fuzz_questions):
            more.made(root)
            targets += more.targets(root)
        targets += fuzz_server.targets(root)
        targets = [t for t in targets if only in t.name]
        for target, own in zip(targets, shares(targets, count), strict=True):
            begin = time.monotonic()
            run(target, own, seed, tally)
            row = tally.rows[-1][1]
            told = ", ".join(f"{n} {kind}" for kind, n in sorted(row.items()))
            say(f"{target.name}: {own} inputs in {time.monotonic() - begin:.1f} s: {told}")
    finally:
        shutil.rmtree(root, ignore_errors=True)
    return tally


def shared(count: int, seed: int, only: str, workers: int) -> Tally:
    """`count` inputs by several processes."""
    tally = Tally()
    with ProcessPoolExecutor(workers) as pool:
        waits = [
            pool.submit(fuzzed, count // workers + (i < count % workers), seed + i, only)
            for i in range(workers)
        ]
        for one in waits:
            tally.add(one.result())
    for name, row in tally.rows:
        print(f"{name}: {', '.join(f'{n} {kind}' for kind, n in sorted(row.items()))}", flush=True)
    return tally


def keep(tally: Tally, seconds: float) -> None:
    """Keep the counts for docs/figures.md."""
    c = tally.counts
    rows = [
        Figure("damaged inputs that gave a traceback, 5xx or unreadable line", "the code itself",
               tally.tried, float(c["traceback"]), None, "0", c["traceback"] == 0),
        Figure("damaged inputs that ended the process", "the code itself", tally.tried,
               float(c["crash"]), None, "0", c["crash"] == 0),
        Figure("damaged inputs that took over 10 s", "the code itself", tally.tried,
               float(c["hang"]), tally.slowest, "0", c["hang"] == 0),
        Figure("growth of memory over an input's kind [MB]", "the code itself", len(tally.rows),
               None, tally.grown / 1024, "1024", tally.grown <= LARGEST),
    ]  # fmt: skip
    notes = [f"{tally.tried} inputs over {len(tally.rows)} kinds in {seconds:.0f} s; "
             f"{c['taken']} were taken, {c['refused']} refused in one line."]  # fmt: skip
    figures.save("fuzz", "Damaged inputs", rows, notes)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=19)
    parser.add_argument("--workers", type=int, default=1, help="processes that share the inputs")
    parser.add_argument("--only", default="", help="kinds whose name holds this")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    given = parser.parse_args()
    begin = time.monotonic()
    if given.workers > 1:
        tally = shared(given.count, given.seed, given.only, given.workers)
    else:
        tally = fuzzed(given.count, given.seed, given.only, lambda text: print(text, flush=True))
    seconds = time.monotonic() - begin
    if given.keep:
        keep(tally, seconds)
    c = tally.counts
    print(f"slowest {tally.slowest:.1f} s, most memory {tally.grown / 1024:.0f} MB, "
          f"{seconds:.0f} s in all")  # fmt: skip
    print(f"{tally.tried} inputs: {c['traceback']} tracebacks, {c['crash']} crashes, {c['hang']} "
          f"hangs over {SLOWEST:g} s, {c['memory']} over 1 GB")  # fmt: skip
    return 0 if tally.wrong == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
