"""Inverse design against plain draws, another optimiser and a grid.

    python benchmarks/design.py --cache OUT.jsonl            runs what is not there yet
    python benchmarks/design.py --cache OUT.jsonl --keep     keeps the figures

Each repeat is another hand with other limits: in even ones any diameter can be had, in odd ones
five. The search may make 1400 throws, 2000 lines are drawn from the same limits. All repeats share
the processes, so that none idles while a generation waits for its last throw.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import figures
import numpy as np
from figures import Figure

from lashwave.quantities import Array
from lashwave.study import line_design, throw_family
from lashwave.study.line_design import CORD, HAND, Problem
from lashwave.study.tapers import Stock

REPEATS, DRAWN, MOST, CHUNK = 20, 2000, 1400, 20
GRID = 24
"""Steps of a grid over the shares of two of three sections."""
DIAMETERS = (2e-3, 3e-3, 4.5e-3, 6.5e-3, 9e-3)
RANGES = {item.name: (item.low, item.high) for item in throw_family.INPUTS}
MIDDLE = throw_family.MIDDLE


def problem_of(repeat: int) -> Problem:
    """Another hand and other limits for each repeat."""
    rng = np.random.default_rng([16, repeat])
    hand = {n: (MIDDLE[n],) * 2 for n in HAND}
    for name in ("time", "direction", "loop"):
        low, high = np.sort(rng.uniform(*RANGES[name], 2))
        hand[name] = (float(low), float(high))
    hand["amplitude"] = (float(rng.uniform(0.8, 1.3)),) * 2
    short = float(rng.uniform(1.5, 2.2))
    stock = Stock(
        (short, short + 0.4), (0.0, float(rng.uniform(0.06, 0.15))),
        (float(rng.uniform(1.5e-3, 3e-3)), float(rng.uniform(8e-3, 14e-3))),
        DIAMETERS if repeat % 2 else (),
    )  # fmt: skip
    speed = (1.0 - hand["follow"][0]) * throw_family.hand_speed(
        {n: lo for n, (lo, _) in hand.items()}
    )
    energy = float(rng.uniform(0.3, 0.9)) * 0.5 * stock.mass[1] * speed**2
    cord = {name: (MIDDLE[name],) * 2 for name in CORD}
    return Problem(stock, hand, cord, float(rng.uniform(8.0, 40.0)), energy)


def small_problem() -> Problem:
    """Three sections of a line of one length and one hand: two unknowns."""
    hand = {name: (MIDDLE[name],) * 2 for name in HAND}
    cord = {name: (MIDDLE[name],) * 2 for name in CORD}
    return Problem(Stock((2.0, 2.0), (0.0, 0.1), sections=(2e-3, 4e-3, 7e-3)), hand, cord)


def grid_of(problem: Problem) -> Array:
    """(M, V) places of the grid."""
    steps = np.linspace(0.0, 1.0, GRID + 1)
    pairs = [(a, b) for a in steps for b in steps if a + b <= 1.0 + 1e-9]
    return np.array([[0.5, a, b, max(1.0 - a - b, 0.0)] for a, b in pairs])


class Shared:
    """One pool for all repeats."""

    def __init__(self, pool: ProcessPoolExecutor) -> None:
        self.pool = pool

    def throws(self, problem: Problem, shares: Array) -> list[dict[str, Any]]:
        return list(self.pool.map(partial(line_design.thrown, problem), list(shares)))

    def best_drawn(self, problem: Problem, seed: int) -> dict[str, Any]:
        places = np.random.default_rng(seed).random((DRAWN, len(problem.names)))
        parts = [places[i : i + CHUNK] for i in range(0, DRAWN, CHUNK)]
        found = list(self.pool.map(partial(_chunk, problem), parts))
        rows = [row for part in found for row in part]
        best = int(np.argmin([row["cost"] for row in rows]))
        return {**rows[best], "at": list(map(float, places[best]))}

    def evolved(self, problem: Problem, seed: int) -> dict[str, Any]:
        """The best of differential evolution with as many throws."""
        from scipy.optimize import differential_evolution

        size, kept = len(problem.names), []

        def costs(places: Array) -> Array:
            rows = self.throws(problem, np.atleast_2d(places.T))
            kept.extend(rows)
            return np.array([row["cost"] for row in rows])

        members = 16
        differential_evolution(
            costs, [(0.0, 1.0)] * size, popsize=max(1, members // size), maxiter=MOST // members,
            vectorized=True, updating="deferred", polish=False, rng=seed,
        )  # fmt: skip
        return min(kept[:MOST], key=lambda row: row["cost"])


def _chunk(problem: Problem, places: Array) -> list[dict[str, Any]]:
    return [line_design.thrown(problem, place) for place in places]


def one(
    shared: Shared, repeat: int, rival: bool, before: dict[str, Any] | None = None
) -> dict[str, Any]:
    """The best of the search, of the draw and, where asked for, of the other optimiser.

    before : a record whose draw is taken, no throw of it made again.
    """
    problem = problem_of(repeat)
    ask = partial(shared.throws, problem)
    found = line_design.sought(problem, ask, MOST, seed=repeat + 1)
    plain = shared.best_drawn(problem, repeat) if before is None else before["drawn"]
    record = {
        "repeat": repeat, "throws": len(found.rows), "found": found.best, "drawn": plain,
        "at": list(map(float, found.share)), "bad": float((found.rows["bad"] != "").mean()),
        "commit": figures.commit(), "machine": figures.machine(),
    }  # fmt: skip
    if rival:
        record["evolved"] = shared.evolved(problem, repeat)
    return record


def small(shared: Shared) -> dict[str, Any]:
    """The small case by the search and by the grid."""
    problem = small_problem()
    places = grid_of(problem)
    parts = [places[i : i + CHUNK] for i in range(0, len(places), CHUNK)]
    rows = [r for part in shared.pool.map(partial(_chunk, problem), parts) for r in part]
    found = line_design.sought(problem, partial(shared.throws, problem), 300)
    best = min(rows, key=lambda row: row["cost"])
    return {
        "repeat": -1, "throws": len(found.rows), "found": found.best, "grid": best,
        "grid_throws": len(rows), "commit": figures.commit(), "machine": figures.machine(),
    }  # fmt: skip


def run(cache: Path, repeats: int, before: dict[int, dict[str, Any]]) -> None:
    """All that the cache does not hold, a line of JSON each."""
    done = {record["repeat"] for record in read(cache)}
    context = get_context("spawn")
    began = time.monotonic()
    cores = os.cpu_count() or 1
    line_design.thrown(small_problem(), np.full(4, 0.5))  # compiled once, not by every process
    with ProcessPoolExecutor(cores, context) as pool, ThreadPoolExecutor(repeats + 1) as threads:
        shared = Shared(pool)
        waiting = [] if -1 in done else [threads.submit(small, shared)]
        waiting += [
            threads.submit(one, shared, k, k < 3, before.get(k))
            for k in range(repeats)
            if k not in done
        ]
        for future in waiting:
            record = future.result()
            with cache.open("a", encoding="utf-8") as file:
                file.write(json.dumps(record) + "\n")
            print(f"repeat {record['repeat']}, {time.monotonic() - began:.0f} s", flush=True)


def read(cache: Path) -> list[dict[str, Any]]:
    """What was kept."""
    if not cache.exists():
        return []
    return [json.loads(line) for line in cache.read_text(encoding="utf-8").splitlines()]


def gain(record: dict[str, Any], over: str) -> float:
    """How much faster the found tip is [%]; limits passed count as slower."""
    return 100.0 * float(np.expm1(record[over]["cost"] - record["found"]["cost"]))


def summed_up(records: list[dict[str, Any]]) -> list[Figure]:
    """The figures."""
    whole = [r for r in records if r["repeat"] >= 0]
    gains = np.array([gain(r, "drawn") for r in whole])
    won = int((gains > 0.0).sum())
    rows = [
        Figure("search beats the best of 2000 drawn lines [of the repeats]", "the forward engine",
               len(whole), float(won), None, f"{REPEATS} of {REPEATS}",
               won == len(whole) == REPEATS, f"{won} of {len(whole)}",
               beside=f"faster by {np.median(gains):.2g} % (median), {gains.min():.2g} % at least"),
        Figure("throws of a search", "the forward engine", len(whole),
               float(np.median([r["throws"] for r in whole])),
               float(max(r["throws"] for r in whole)), beside="drawn: 2000"),
    ]  # fmt: skip
    rivals = [gain(r, "evolved") for r in whole if "evolved" in r]
    if rivals:
        rows.append(Figure(
            f"search over differential evolution with {MOST} throws [%]", "the forward engine",
            len(rivals), float(np.median(rivals)), float(min(rivals)),
        ))  # fmt: skip
    for record in records:
        if record["repeat"] == -1:
            rows.append(Figure(
                "search over a grid, three sections [%]", "the forward engine", 1,
                gain(record, "grid"), None, "no less than -0.1", gain(record, "grid") > -0.1,
                beside=f"throws: {record['grid_throws']} of the grid, {record['throws']} of search",
            ))  # fmt: skip
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, default=Path("out/design.jsonl"))
    parser.add_argument("--repeats", type=int, default=REPEATS)
    parser.add_argument("--before", type=Path, help="a cache whose drawn lines are taken")
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    if not (asked.report or asked.keep):
        asked.cache.parent.mkdir(parents=True, exist_ok=True)
        earlier = {} if asked.before is None else {r["repeat"]: r for r in read(asked.before)}
        run(asked.cache, asked.repeats, earlier)
    found = read(asked.cache)
    for row in summed_up(found):
        print(row.what, row.median, row.worst, row.holds, row.beside)
    if asked.keep:
        figures.save(
            "design", "Inverse design: the fastest taper within limits", summed_up(found),
            ["Hands, limits and stock differ from repeat to repeat; every second line is made of "
             "sections of five diameters."],
            measured_at=(found[-1]["commit"], found[-1]["machine"]),
        )  # fmt: skip
