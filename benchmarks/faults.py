"""Kills, full disks, read-only folders, two at once and hostile requests, against the real command.

    python benchmarks/faults.py [--kills 200] [--disks 20] [--requests 2000] [--seed 19] [--keep]
        [--workers 1] [--seconds 3600]

With several workers the kills are shared by processes, each with folders of its own; after so many
seconds no further one is begun, and what was tried is what is counted. The trial is a cord's first
swing (fault_bench.py), so that a reconstruction takes seconds. Full disks need leave to mount a
small file system in memory; without it they are left out, and that is said. Exit status 0 where
nothing was lost, half written, left over or said in more than one line.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import fault_bench, fault_runs, fault_server, figures
from benchmarks.fault_bench import Bench, hashes, leftover
from benchmarks.fault_runs import begun, half, whole
from benchmarks.figures import Figure

ROOT = figures.ROOT / "build" / "faults"
LEFT = 1 << 20
"""What a killed run may leave after the next one [bytes]."""


@dataclass
class Score:
    """What was tried and what went wrong."""

    tried: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    ping: float = 0.0
    """The longest beside archives [s]."""
    memory: float = 0.0
    """Most that the server held [MB]."""

    def add(self, part: Score) -> None:
        """Take in what another process counted."""
        self.tried += part.tried
        self.wrong += part.wrong
        self.notes += part.notes
        self.ping, self.memory = max(self.ping, part.ping), max(self.memory, part.memory)

    def bad(self, kind: str, text: str) -> None:
        """Count and say one thing that went wrong."""
        self.wrong[kind] += 1
        print(f"  ! {kind}: {text}", flush=True)


@dataclass
class Job:
    """One command that is killed again and again over its own earlier answers."""

    name: str
    words: list[str]
    out: Path
    seconds: float = 0.0
    names: set[str] = field(default_factory=set)
    stood: bool = True
    """Whether earlier answers stood there when it last began."""


def jobs(bench: Bench) -> list[Job]:
    """The commands that are killed, each with where it writes."""
    place = bench.root / "killed"
    place.mkdir(exist_ok=True)
    other = bench.root / "other.answers"
    if not other.exists():
        shutil.copytree(bench.answers, other)
    ways = {
        "reconstruct": ["reconstruct", str(bench.trial)],
        "locate": ["locate", str(bench.trial)],
        "compare": ["compare", str(bench.answers), str(other)],
        "parameters": ["parameters", str(bench.trial)],
    }
    return [
        Job(name, [*words, "--out", str(place / name), "--quiet"], place / name)
        for name, words in ways.items()
    ]


def first_runs(found: list[Job], said: Path, score: Score) -> list[Job]:
    """Each command once whole: how long it takes, and what it writes."""
    good = []
    for job in found:
        fault_bench.emptied(job.out)
        end = whole(job.words, said)
        if end.status:
            score.bad("whole run", f"{job.name} gives {end.status}: {end.said[-200:]}")
            continue
        job.seconds = end.seconds
        job.names = {p for p in hashes(job.out) if not p.startswith("kept/")}
        print(f"{job.name} takes {end.seconds:.1f} s and writes {len(job.names)} files", flush=True)
        good.append(job)
    return good


def shared_kills(bench: Bench, count: int, seed: int, workers: int, until: float) -> Score:
    """`count` kills, by several processes in folders of their own."""
    score = Score()
    known = first_runs(jobs(bench), bench.root / "killed.txt", score)
    shares = [count // workers + (i < count % workers) for i in range(workers)]
    with ProcessPoolExecutor(workers) as pool:
        waits = [
            pool.submit(_worker, bench, known, share, seed, i, until)
            for i, share in enumerate(shares)
        ]
        for one in waits:
            score.add(one.result())
    print(f"{score.tried['kill']} kills, {score.wrong['kill']} wrong", flush=True)
    return score


def _worker(
    bench: Bench, known: list[Job], count: int, seed: int, number: int, until: float
) -> Score:
    own = fault_bench.copied(bench, bench.root / f"worker-{number}")
    found = [
        replace(job, seconds=one.seconds, names=one.names)
        for job in jobs(own)
        for one in known
        if one.name == job.name
    ]
    for job in found:
        shutil.copytree(bench.root / "killed" / job.name, job.out)
    score = Score()
    kills(own, found, count, random.Random(f"{seed}-{number}"), number, until, score)
    return score


def kills(
    bench: Bench, found: list[Job], count: int, draw: random.Random, first: int, until: float,
    score: Score,
) -> None:  # fmt: skip
    """SIGKILL at random moments, the commands in turn; then each must go well once more."""
    said, inputs = bench.root / "killed.txt", hashes(bench.trial)
    turns = [*found, None]  # None: mends
    while score.tried["kill"] < count and time.monotonic() < until:
        job = turns[(first + score.tried["kill"]) % len(turns)]
        if job is None:
            lost = fault_server.killed_mending(bench.root, bench.trial, draw)
            score.tried["kill"] += 1
            if lost:
                score.bad("kill", f"mends: {lost}")
        elif _killed(job, said, draw, score):
            _look(job, score)
    for job in found:
        end = whole(job.words, said)
        if end.status:
            score.bad("kill", f"{job.name} afterwards: {end.said[-200:]}")
        else:
            _look(job, score)
    if leftover(bench.root) > LEFT:
        score.bad("kill", f"{leftover(bench.root)} bytes are left over")
    if hashes(bench.trial) != inputs:
        score.bad("kill", "the trial was changed")


def _killed(job: Job, said: Path, draw: random.Random, score: Score) -> bool:
    """Kill a command at a random moment; False where it ended before."""
    if draw.random() < 0.5 and job.name != "parameters":
        fault_bench.emptied(job.out)
    job.stood, begin = job.out.exists(), time.monotonic()
    process = begun(job.words, said, fresh=score.tried["kill"] % 10 == 9)
    process.join(draw.uniform(0.0, job.seconds))
    late = not process.is_alive()
    process.kill()
    process.join()
    if late:
        if process.exitcode:
            score.bad("kill", f"{job.name}: {said.read_text()[-200:]}")
        job.seconds = 0.5 * (job.seconds + time.monotonic() - begin)
        return False
    score.tried["kill"] += 1
    return True


def _look(job: Job, score: Score) -> None:
    """What a killed run left: whole answers or none, and one half-written thing at most."""
    if job.stood and not job.out.exists():
        score.bad("kill", f"{job.name}: the earlier answers are lost")
    elif job.out.exists() and any(p for p in hashes(job.out) if not p.startswith("kept/")):
        lost = half(job.out, job.names)
        if lost:
            score.bad("kill", f"{job.name}: {lost}")
    places = [job.out.parent, job.out]
    parts = [p for d in places if d.is_dir() for p in d.iterdir() if job.name in p.name]
    parts = [p for p in parts if p.name.endswith(".part")]
    if len(parts) > 1:
        score.bad("kill", f"{job.name}: {len(parts)} half-written folders are left")


@contextlib.contextmanager
def small_disk(place: Path, size: int, *, read_only: bool = False) -> Iterator[Path]:
    """A file system in memory of `size` bytes; PermissionError where it cannot be mounted."""
    place.mkdir(exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(mount, capture_output=True, check=False).returncode:
        raise PermissionError("no leave to mount")
    try:
        if read_only:
            again = ["mount", "-o", "remount,ro", str(place)]
            subprocess.run(again, check=True, capture_output=True)
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def writers(bench: Bench) -> dict[str, list[str]]:
    """Commands that write, but for their --out."""
    return {
        "reconstruct": ["reconstruct", str(bench.trial), "--quiet"],
        "locate": ["locate", str(bench.trial), "--quiet"],
        "compare": ["compare", str(bench.answers), "--quiet"],
        "deposit": ["deposit", str(bench.trial), "--answers", str(bench.answers)],
    }


def out_of(name: str, place: Path) -> Path:
    """What a command writes in a place."""
    return place / ("out.zip" if name == "deposit" else "out")


def disks(bench: Bench, count: int, seed: int) -> Score:
    """Full disks, read-only ones, and two runs at once into one folder."""
    score = Score()
    try:
        full_disks(bench, count, score)
        read_only(bench, score)
    except PermissionError as refusal:
        score.notes.append(f"Full and read-only disks were not tried: {refusal}.")
        print(score.notes[-1], flush=True)
    two_at_once(bench, score)
    return score


def full_disks(bench: Bench, count: int, score: Score) -> None:
    """Every command on disks from next to nothing to nearly enough."""
    said, ways = bench.root / "disk.txt", writers(bench)
    place = bench.root / "disk"
    sizes = {}
    for name, words in ways.items():
        out = out_of(name, bench.root / "whole" / name)
        out.parent.mkdir(parents=True, exist_ok=True)
        fault_bench.emptied(out)
        end = whole([*words, "--out", str(out)], said)
        if end.status:
            score.bad("full disk", f"{name} on a good disk: {end.said[-200:]}")
        sizes[name] = sum(p.stat().st_size for p in ([out] if out.is_file() else out.rglob("*")))
    each = -(-count // len(ways))
    for name, words in ways.items():
        for i in range(min(each, count - score.tried["full disk"])):
            size = max(int(sizes[name] * (i + 0.5) / each), 8192)
            with small_disk(place, size) as disk:
                end = whole([*words, "--out", str(out_of(name, disk))], said)
                score.tried["full disk"] += 1
                held = list(disk.rglob("*"))
            if end.fault or end.status != 1 or "full" not in end.said:
                score.bad("full disk", f"{name}, {size} bytes: {end.status}, {end.said[-200:]}")
            elif held:
                score.bad("full disk", f"{name}, {size} bytes: {held[0].name} is left")
    print(f"{score.tried['full disk']} full disks, {score.wrong['full disk']} wrong", flush=True)


def read_only(bench: Bench, score: Score) -> None:
    """Every command on a disk that cannot be written."""
    said = bench.root / "disk.txt"
    for name, words in writers(bench).items():
        with small_disk(bench.root / "disk", 1 << 26, read_only=True) as disk:
            end = whole([*words, "--out", str(out_of(name, disk))], said)
        score.tried["read-only"] += 1
        if end.fault or end.status != 2:
            score.bad("read-only", f"{name}: {end.status}, {end.said[-200:]}")
    print(f"{score.tried['read-only']} read-only, {score.wrong['read-only']} wrong", flush=True)


def two_at_once(bench: Bench, score: Score) -> None:
    """Two runs into one folder: both end well or say why, and the answers are whole."""
    for name, words in writers(bench).items():
        place = bench.root / "both"
        fault_bench.emptied(place)
        place.mkdir()
        out, saids = out_of(name, place), [bench.root / f"both-{i}.txt" for i in range(2)]
        begin = time.monotonic()
        pair = [begun([*words, "--out", str(out)], said) for said in saids]
        ends = [fault_runs.ended(p, s, begin) for p, s in zip(pair, saids, strict=True)]
        score.tried["two at once"] += 1
        faults = [e.fault for e in ends if e.fault]
        names = set(hashes(out_of(name, bench.root / "whole" / name)))
        if faults or all(e.status for e in ends):
            score.bad("two at once", f"{name}: {faults or ends[0].said}")
        elif out.is_dir() and (lost := half(out, names)):
            score.bad("two at once", f"{name}: {lost}")
        elif leftover(place):
            score.bad("two at once", f"{name}: {leftover(place)} bytes are left")
    print(
        f"{score.tried['two at once']} twice at once, {score.wrong['two at once']} wrong",
        flush=True,
    )


def requests(bench: Bench, count: int, seed: int) -> Score:
    """Hostile requests to a real server, and pings while it makes archives."""
    score = Score()
    server = fault_server.Server(bench.root)
    before = hashes(bench.trial) | hashes(bench.answers)
    for line in fault_server.hostile(server, count, seed):
        score.bad("request", line)
    score.tried["request"] += count
    times = fault_server.pings_beside_archives(server)
    score.ping, score.memory = max(times), server.memory()
    score.tried["ping beside archives"] += len(times)
    if score.memory > 1024:
        score.bad("request", f"the server held {score.memory:.0f} MB")
    if server.end() != 0 or "Traceback" in server.said:
        score.bad("request", f"the server's end: {server.said[-300:]}")
    if hashes(bench.trial) | hashes(bench.answers) != before:
        score.bad("request", "files were changed")
    print(f"{count} requests, {score.wrong['request']} wrong; a ping took at most "
          f"{score.ping:.2f} s beside archives; {score.memory:.0f} MB", flush=True)  # fmt: skip
    return score


def keep(score: Score, seconds: float) -> None:
    """Keep the counts for docs/figures.md."""
    words = {"kill": "kills at random moments that lost, halved or left something",
             "full disk": "full disks with more than one line, or something left",
             "read-only": "read-only disks with more than one line",
             "two at once": "pairs of runs into one folder that spoilt it",
             "request": "hostile requests with a 5xx, a traceback or a hang"}  # fmt: skip
    rows = [
        Figure(text, "the code itself", score.tried[kind], float(score.wrong[kind]), None, "0",
               score.wrong[kind] == 0)
        for kind, text in words.items() if score.tried[kind]
    ]  # fmt: skip
    if score.tried["ping beside archives"]:
        rows.append(Figure("ping while archives are made [s]", figures.MACHINE,
                           score.tried["ping beside archives"], None, score.ping, "0.5",
                           score.ping <= fault_server.SLOWEST_PING))  # fmt: skip
        rows.append(Figure("memory of the server after them [MB]", figures.MACHINE, 1, None,
                           score.memory, "1024", score.memory <= 1024))  # fmt: skip
    load = f"In {seconds:.0f} s, at a load of {os.getloadavg()[2]:.1f} on {os.cpu_count()} cores."
    figures.save("faults", "Kills, full disks, hostile requests", rows, [load, *score.notes])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--disks", type=int, default=20)
    parser.add_argument("--requests", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=19)
    parser.add_argument("--workers", type=int, default=1, help="processes that share the kills")
    parser.add_argument("--seconds", type=float, default=3600.0, help="no kill is begun after")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    given = parser.parse_args()
    begin, score = time.monotonic(), Score()
    ROOT.mkdir(parents=True, exist_ok=True)
    bench = fault_bench.made(ROOT)
    fault_runs.warmed()
    with ProcessPoolExecutor(2) as pool:
        waits = [
            pool.submit(work, fault_bench.copied(bench, ROOT / work.__name__), count, given.seed)
            for work, count in ((requests, given.requests), (disks, given.disks))
            if count
        ]
        if given.workers == 1:  # one thing at a time
            wait(waits)
        if given.kills:
            until = begin + given.seconds
            score.add(shared_kills(bench, given.kills, given.seed, given.workers, until))
        for one in waits:
            score.add(one.result())
    if given.keep:
        keep(score, time.monotonic() - begin)
    tried = ", ".join(f"{n} x {kind}" for kind, n in score.tried.items())
    print(f"{tried} in {time.monotonic() - begin:.0f} s; {sum(score.wrong.values())} went wrong")
    return 1 if score.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
