"""Throws of the independent engine of every hard kind, many at a time: the figures of `trials.py`.

    python benchmarks/hard_throws.py --set hard --workers 16 --within 540 --results "$OUT"
    python benchmarks/hard_throws.py --set hard --from RESULTS --keep

A set's list is fixed before it runs, so that no throw is chosen by what it gave. Each finished
throw is one line of JSON in the cache, and in RESULTS at once; the same command goes on where it
was. Where the time ends first, the throws that did not run are said.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import multiprocessing
import os
import shutil
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks")]

import figures  # noqa: E402
import trial_figures  # noqa: E402
import trials  # noqa: E402

Job = tuple[str, int]
"""Words of `trials.py`, seed."""


def sets(first: int) -> dict[str, list[Job]]:
    """Each set's throws, their seeds from `first` on."""

    def of(words: str, count: int, beyond: int = 0) -> list[Job]:
        return [(words, first + beyond + n) for n in range(count)]

    hard = _in_turn(
        of("--kind throw", 14), of("--kind wide", 10), of("--kind throw --hard splice", 5, 20),
        of("--kind throw --hard leaving", 5, 30), of("--kind throw --hard half-grip", 6, 40),
    )  # fmt: skip
    lacking = _in_turn(
        of("--kind throw --no-camera", 10), of("--kind throw --ghosts 0.1", 10, 10),
        of("--kind throw --no-stiffness", 10, 20), of("--kind throw --clock-wrong 1e-3", 10, 30),
        of("--kind throw --second-view", 10, 40),
    )  # fmt: skip
    return {"hard": hard, "lacking": lacking}


def _in_turn(*kinds: list[Job]) -> list[Job]:
    """One of each kind, then the next of each: where time ends first, all kinds have run."""
    rounds = itertools.zip_longest(*kinds)
    return [job for each in rounds for job in each if job is not None]


def name_of(job: Job) -> str:
    """For its row's file."""
    words = job[0].replace("--", "").replace("kind ", "").split()
    return "-".join([*words, str(job[1])])


def warmed(cache: Path) -> None:
    """One small fit, so that kernels are compiled once and not by every process."""
    from lashwave.pipeline import reconstruct_trial
    from tests.workbench.small_throw import small_throw

    reconstruct_trial(small_throw()[0])
    (cache / "warm").touch()


def run(job: Job, cache: Path) -> dict[str, Any]:
    """One throw, from the engine to its scores."""
    args = trials.arguments(["--engine", *job[0].split(), "--cache", str(cache)])
    os.setpriority(os.PRIO_PROCESS, 0, 10)  # kernels are compiled meanwhile, and all wait for them
    trials.make(args, job[1])  # the engine's run, kept; it needs no kernels of the estimate
    while not (cache / "warm").exists():
        time.sleep(0.5)
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, 0)
    return trials.one(args, job[1]) | {"asked": job[0]}


def ran(jobs: Iterable[Job], args: argparse.Namespace) -> None:
    """Run what is not there yet, until the time is up."""
    begun = time.monotonic()
    rows = args.cache / "rows"
    rows.mkdir(parents=True, exist_ok=True)
    todo = [job for job in jobs if not (rows / f"{name_of(job)}.json").exists()]
    pool = ProcessPoolExecutor(
        args.workers + 1, multiprocessing.get_context("spawn"), max_tasks_per_child=1
    )
    pool.submit(warmed, args.cache)
    waiting = {pool.submit(run, job, args.cache): job for job in todo}
    try:
        for done in as_completed(waiting, timeout=args.within):
            job, row = waiting[done], done.result()
            (rows / f"{name_of(job)}.json").write_text(json.dumps(row), encoding="utf-8")
            gather(args, jobs)
            said = row.get("failed") or {
                part: round(1e3 * row["motion"][f"rms_{part}"], 2)
                for part in ("seen", "lost", "peak_lost")
                if row["motion"].get(f"rms_{part}")
            }
            print(f"{time.monotonic() - begun:.0f} s {name_of(job)}: {said}", flush=True)
    except TimeoutError:
        print("the time is up", flush=True)
    for process in list((pool._processes or {}).values()):
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)


def gather(args: argparse.Namespace, jobs: Iterable[Job]) -> list[dict[str, Any]]:
    """All rows that are there, in one file."""
    rows = [args.cache / "rows" / f"{name_of(job)}.json" for job in jobs]
    lines = [row.read_text(encoding="utf-8") for row in rows if row.exists()]
    whole = args.cache / f"{args.set}.jsonl"
    whole.write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    if args.results:
        args.results.mkdir(parents=True, exist_ok=True)
        shutil.copy(whole, args.results / whole.name)
    return [json.loads(line) for line in lines]


def keep(args: argparse.Namespace, rows: list[dict[str, Any]], jobs: list[Job]) -> None:
    """For docs/figures.md."""
    found, notes = trial_figures.figures(rows, engine=True)
    there = {(row["asked"], row["seed"]) for row in rows}
    missing = [name_of(job) for job in jobs if job not in there]
    if missing:
        notes.append(f"Not run, for want of time: {', '.join(missing)}.")
    at = (rows[-1]["commit"], rows[-1]["machine"])
    figures.save(
        f"engine-{args.set}", f"Whole trials of the engine, set {args.set}", found,
        [*notes, *args.note], measured_at=at,
        typed=f"python benchmarks/hard_throws.py --set {args.set} --first {args.first} --keep",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--set", choices=tuple(sets(0)), default="hard")
    parser.add_argument("--first", type=int, default=400, help="first seed")
    parser.add_argument("--only", default="", help="only throws whose name has this in it")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--within", type=float, default=86400.0, help="time for all [s]")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/hard"))
    parser.add_argument("--results", type=Path, help="folder that gets the rows as they come")
    parser.add_argument("--from", dest="given", type=Path, help="rows of an earlier run")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--note", action="append", default=[], help="a sentence to keep with them")
    args = parser.parse_args()
    jobs = [job for job in sets(args.first)[args.set] if args.only in name_of(job)]
    if args.given:
        lines = args.given.read_text(encoding="utf-8").splitlines()
        rows = [json.loads(line) for line in lines]
    else:
        ran(jobs, args)
        rows = gather(args, jobs)
    if not rows:
        return
    trials.print_report(rows, f"set {args.set}")
    if args.keep:
        keep(args, rows, jobs)


if __name__ == "__main__":
    main()
