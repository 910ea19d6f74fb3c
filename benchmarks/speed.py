"""What a trial costs, stage by stage, and how near that is to what the machine can do.

Run: python -m benchmarks.speed [--kind throw] [--seed 0] [--links 60] [--keep]

The trial is reconstructed twice in processes of their own: on a machine without kernels, which are
compiled as they are first called, and again. Floors are measured in the second run: the rate of
plain products of matrices, and of writing memory. CPU seconds, one thread. A third run takes all
cores, for the wall clock.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks import figures
from benchmarks.figures import MACHINE, Figure
from lashwave.mechanics import cores

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS")


class Meter:
    """CPU seconds by stage and by function, and the operations and bytes behind them."""

    def __init__(self) -> None:
        self.stages: dict[str, float] = {}
        self.parts: dict[str, float] = {}
        self.calls: dict[str, int] = {}
        self.floating: dict[str, float] = {}
        self.written: dict[str, float] = {}
        self._stage, self._since = "setting up", time.process_time()

    def told(self, stage: str, _share: float) -> None:
        """As a reconstruction tells its progress; the number of times is no stage's name."""
        now = time.process_time()
        self.stages[self._stage] = self.stages.get(self._stage, 0.0) + now - self._since
        self._stage, self._since = stage.split(",")[0], now

    def watch(self, where: Any, name: str, cost: Callable[[Any], tuple[float, float]]) -> None:
        """Time calls of where.name; `cost` gives operations and bytes from what it returns."""
        plain = getattr(where, name)

        def timed(*given: Any, **named: Any) -> Any:
            start = time.process_time()
            made = plain(*given, **named)
            spent = time.process_time() - start
            work, moved = cost(made)
            self.calls[name] = self.calls.get(name, 0) + 1
            for of, value in ((self.parts, spent), (self.floating, work), (self.written, moved)):
                of[name] = of.get(name, 0.0) + value
            return made

        setattr(where, name, timed)


def factor_cost(made: Any) -> tuple[float, float]:
    """Operations of a block Cholesky of the band and of carrying the border through it."""
    deep, size = made.band.shape
    n = made.unknowns
    below = deep - n
    a_time = n**3 / 3 + n**2 * below + n * below**2
    return size / n * a_time + 2.0 * size * deep * made.coupling.shape[1], 0.0


def build_cost(made: Any) -> tuple[float, float]:
    """Products of the tensions' rows, half of which is zero, and the band written once."""
    times, links = made.tension.shape
    return times * 4.5 * made.unknowns**2 * links, made.band.size * 8.0


def nothing(_made: Any) -> tuple[float, float]:
    """No floor is stated."""
    return 0.0, 0.0


def rates() -> tuple[float, float]:
    """Operations a second of a product of 500 x 500, bytes a second of writing 100 MB; medians."""
    a, out = np.random.default_rng(0).normal(size=(500, 500)), np.zeros(12_500_000)

    def rate(work: float, run: Callable[[], Any]) -> float:
        spent = []
        for _ in range(7):
            start = time.process_time()
            run()
            spent.append(time.process_time() - start)
        return work / float(np.median(spent))

    def write() -> None:
        for _ in range(3):
            out.fill(1.0)

    return rate(2 * 500.0**3 * 5, lambda: [a @ a for _ in range(5)]), rate(3 * out.nbytes, write)


def once(kind: str, seed: int, links: int, threads: int) -> dict[str, Any]:
    """One reconstruction in this process."""
    from lashwave import twin
    from lashwave.estimate import Options, fusion, normal as eq, other_motions
    from lashwave.mechanics import on_threads
    from lashwave.pipeline.reconstruct import reconstruct_trial

    trial, _ = twin.make(seed, kind)
    meter = Meter()
    for where, name, cost in (
        (eq, "build", build_cost), (eq, "factor", factor_cost), (eq, "cost_of", nothing),
        (other_motions, "draws_of", nothing), (fusion, "withheld_of", nothing),
    ):  # fmt: skip
        meter.watch(where, name, cost)
    before = rates()
    start, wall = time.process_time(), time.monotonic()
    with on_threads(threads):
        fit, _, _ = reconstruct_trial(trial, meter.told, Options(most_links=links))
    meter.told("end", 1.0)
    spent, wall = time.process_time() - start, time.monotonic() - wall
    return {
        "cpu": spent, "wall": wall, "times": int(fit.time.size), "stages": meter.stages,
        "parts": meter.parts, "calls": meter.calls, "floating": meter.floating,
        "written": meter.written, "rates": np.mean([before, rates()], axis=0).tolist(),
        "memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }  # fmt: skip


def runs(args: argparse.Namespace) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """The first run on a machine, a later one, and one that takes all cores."""
    words = ["-m", "benchmarks.speed", "--once", "--kind", args.kind]
    words += ["--seed", str(args.seed), "--links", str(args.links)]
    with tempfile.TemporaryDirectory() as kernels:
        around = os.environ | dict.fromkeys(THREADS, "1") | {"NUMBA_CACHE_DIR": kernels}
        found = []
        for threads in ("1", str(cores())) if args.later else ("1", "1", str(cores())):
            if args.later:
                around.pop("NUMBA_CACHE_DIR")
                around |= {k: v for k, v in os.environ.items() if k == "NUMBA_CACHE_DIR"}
            run = subprocess.run(
                [sys.executable, *words, "--threads", threads],
                env=around,
                check=True,
                capture_output=True,
                text=True,
            )
            found.append(json.loads(run.stdout.splitlines()[-1]))
    return found[0], found[-2], found[-1]


def table(first: dict[str, Any], later: dict[str, Any], shared: dict[str, Any]) -> list[Figure]:
    """Print one table; its rows as figures."""
    product, write = later["rates"]
    print(f"products of matrices {product / 1e9:.0f} GF/s, writing {write / 1e9:.1f} GB/s")
    print(f"{'':32s}   first    later  calls   floor  share of it")
    rows = []
    whole = ("whole trial: CPU", first["cpu"], later["cpu"], 1, 0.0)
    wall = ("whole trial: wall clock, one thread", first["wall"], later["wall"], 1, 0.0)
    all_cores = f"whole trial: wall clock, {cores()} threads"
    entries = [whole, wall, (all_cores, first["wall"], shared["wall"], 1, 0.0)]
    for stage, spent in later["stages"].items():
        entries.append((f"stage: {stage}", first["stages"].get(stage, 0.0), spent, 1, 0.0))
    for name, spent in later["parts"].items():
        floor = later["floating"][name] / product + later["written"][name] / write
        entries.append(
            (f"of all: {name}", first["parts"][name], spent, later["calls"][name], floor)
        )
    for what, early, late, calls, floor in entries:
        share = f"{floor:7.2f} {floor / max(late, 1e-9):8.0%}" if floor else ""
        print(f"{what:32s} {early:7.2f}  {late:7.2f} {calls:6d} {share}")
        beside = f"first run {early:.3g}"
        beside = f"CPU {shared['cpu']:.3g}" if what == all_cores else beside
        beside += f"; floor {floor:.3g}, {floor / max(late, 1e-9):.0%} of it" if floor else ""
        goal = "30" if what == all_cores else ""
        rows.append(
            Figure(f"{what} [s]", MACHINE, calls, late, goal=goal,
                   met=late <= 30.0 if goal else None, beside=beside)
        )  # fmt: skip
    memory = later["memory_mb"]
    print(f"{'peak memory [MB]':32s} {first['memory_mb']:7.0f}  {memory:7.0f}")
    rows.append(
        Figure("peak memory [MB]", MACHINE, 1, memory, goal="1000", met=memory <= 1000.0,
               beside=f"first run {first['memory_mb']:.0f}")
    )  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kind", choices=("throw", "swing", "held"), default="throw")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--links", type=int, default=60, help="most links of the line")
    parser.add_argument("--later", action="store_true", help="with the kernels that are there")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--threads", type=int, default=1, help=argparse.SUPPRESS)
    parser.add_argument("--once", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.once:
        print(json.dumps(once(args.kind, args.seed, args.links, args.threads)))
        return
    first, later, shared = runs(args)
    rows = table(first, later, shared)
    if args.keep:
        product, write = later["rates"]
        figures.save(
            f"speed-{args.kind}",
            f"What a trial costs: {args.kind}, {later['times']} times",
            rows,
            [
                f"One thread but where said; products of matrices {product / 1e9:.0f} GF/s and "
                f"writing {write / 1e9:.1f} GB/s in the same run. n counts calls. A floor is the "
                "time of the operations at the first and of the band written once at the second."
            ],
        )


if __name__ == "__main__":
    main()
