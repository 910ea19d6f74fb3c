"""Throws by the thousand: how many a second, on cores and on a graphics card, and how near.

Run: python -m benchmarks.ensemble [--count N] [--swings N] [--cores N] [--keep]
     python -m benchmarks.ensemble --card N [--cores N] [--keep]

Two ensembles. The family's throws (`throw_family`, as for the design law) end at the crack, after
0.2 s on average; the swings are of 1 s, lines of the family that hang at rest and are flung by a
hand, each line, hand and air another. Both have 60 nodes. Every ratio is of one run: the same
throws by the engine that takes them one at a time in double precision. `--card` asks a graphics
card alone, for that many swings, the same few thousand over and over, and measures what part of its
arithmetic and of its memory's speed they took, with the operations and numbers of a step counted by
running its source on numbers that count.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import numpy as np

from benchmarks import figures
from benchmarks.figures import MACHINE, Figure
from lashwave.mechanics import FINENESS, RESULTS, Grip, Member, setup, together
from lashwave.mechanics.ledger import Given
from lashwave.quantities import TRIAL_GRAVITY
from lashwave.study import ensemble, one_throw, throw_family

LINKS, SPAN, STEPS_AT_MOST = 59, 1.0, 9000
TRIED = ((256, 255), (384, 168), (512, 128), (768, 80), (1024, 64), (256, 255))
"""Members at work on each processor of a card, and registers of each."""
SPEED, STEPS = RESULTS.index("speed"), RESULTS.index("steps")


def hand(throw: dict[str, float]) -> Grip:
    """A hand that swings back and forth once in a second, a little out of plane."""
    t = np.linspace(-0.1, SPAN + 0.1, 61)
    pulse = np.exp(-(((t - 0.5) / 0.22) ** 2))
    way = 0.5 * throw["amplitude"] * np.sin(2 * np.pi * (t - 0.5) / (3.0 * throw["time"])) * pulse
    place = np.stack([way, 0.1 * way * np.sin(5 * t), 0.3 * throw["direction"] * pulse], axis=1)
    return Grip(t, place, np.tile([0.0, 0.0, -1.0], (t.size, 1)))


def swing(values: np.ndarray) -> Member:
    """A line of the family that hangs at rest and is flung, for a second."""
    throw = dict(zip(throw_family.NAMES, map(float, values), strict=True))
    chain, grip = throw_family.chain_of(throw, LINKS), hand(throw)
    ready = setup(
        chain, grip, throw_family.air_of(throw), TRIAL_GRAVITY, throw_family.law_of(throw)
    )
    butt = grip.at(np.zeros(1))[0][0]
    place = butt - chain.station[:, None] * np.array([0.0, 0.0, 1.0])
    return Member(ready, chain.node_mass, place, np.zeros_like(place), 0.0, SPAN)


def computed(values: np.ndarray, exact: bool = False) -> np.ndarray:
    """Results of a lot of swings, on one core."""
    end = one_throw.end_of(LINKS)
    members = [swing(row) for row in values]
    return together(members, FINENESS, beyond=end, exact=exact, threads=1).result


def timed_on(pool: ProcessPoolExecutor, work, lots: list) -> tuple[list, float]:
    """Results of lots on all of a pool's processes, and the wall clock's seconds."""
    began = time.monotonic()
    return list(pool.map(work, lots)), time.monotonic() - began


def alone(rows: np.ndarray) -> tuple[np.ndarray, float]:
    """Peaks of throws one at a time, in double precision, and CPU seconds of all."""
    began = time.process_time()
    named = [dict(zip(throw_family.NAMES, map(float, row), strict=True)) for row in rows]
    peaks = [one_throw.run(throw, LINKS)["peak_speed"] for throw in named]
    return np.array(peaks), time.process_time() - began


def nearness(found: np.ndarray, exact: np.ndarray) -> tuple[float, float]:
    """Median and worst error of peaks, in percent."""
    off = 100 * np.abs(found / exact - 1.0)
    return float(np.median(off)), float(off.max())


def family(pool: ProcessPoolExecutor, cores: int, count: int) -> list[Figure]:
    """The law's throws, as the studies compute them."""
    inputs, sample = ensemble.draw(count, 1), min(64, count)
    lot = partial(ensemble._lot, links=LINKS, gpu=False)
    list(pool.map(partial(_family_lot, lot, inputs), [list(range(16))] * cores))
    alone(inputs[:1])
    lots = [list(range(i, min(i + 128, count))) for i in range(0, count, 128)]
    rows, took = timed_on(pool, partial(_family_lot, lot, inputs), lots)
    table = [row for part in rows for row in part]
    peaks = np.array([row["peak_speed"] for row in table])
    exact, cpu = alone(inputs[:sample])
    gain = cpu / sample / (took * cores / count)
    middle, worst = nearness(peaks[:sample], exact)
    bad = sum(bool(row["bad"]) for row in table)
    print(f"family: {count} throws in {took:.1f} s on {cores} cores, {count / took:.0f} a second; "
          f"alone {cpu / sample * 1e3:.1f} ms, {gain:.1f} times; peaks off by {middle:.4f} % "
          f"({worst:.4f} at worst); {bad} not trusted", flush=True)  # fmt: skip
    return [
        Figure(f"throws of the law's family a second, {cores} cores", MACHINE, count, count / took,
               beside=f"{gain:.1f} times as many as one at a time, in the same run; 10,000 on two "
               f"cores: {1e4 / count * took * cores / 2:.0f} s"),
        Figure("their peak speed in single precision [%]", "the same engine in double precision",
               sample, middle, worst, goal="0.5 at worst", met=worst <= 0.5),
    ]  # fmt: skip


def swings(pool: ProcessPoolExecutor, cores: int, count: int) -> list[Figure]:
    """Throws of one second."""
    flung = ensemble.draw(count, 2)
    list(pool.map(computed, [flung[:16]] * cores))
    lots = [flung[i : i + 128] for i in range(0, count, 128)]
    parts, took = timed_on(pool, computed, lots)
    found, few = np.concatenate(parts), flung[: min(64, count)]
    computed(few[:1], True)
    began = time.process_time()
    exact = computed(few, True)[:, SPEED]
    cpu = (time.process_time() - began) / len(few)
    gain = cpu / (took * cores / count)
    middle, worst = nearness(found[: len(few), SPEED], exact)
    whole, steps = 1e4 / count * took * cores / 2, np.mean(found[:, STEPS])
    print(f"swings: {count} of {SPAN:g} s in {took:.1f} s, {count / took:.0f} a second, "
          f"{steps:.0f} steps; alone {cpu * 1e3:.1f} ms, {gain:.1f} times; "
          f"peaks off by {middle:.4f} % ({worst:.4f} at worst)", flush=True)  # fmt: skip
    return [
        Figure("10,000 throws of 1 s at 60 nodes on two cores [s]", MACHINE, count, whole,
               goal="60", met=whole <= 60,
               beside=f"{gain:.1f} times as fast as one at a time, in the same run; "
               f"{steps:.0f} steps a throw; {cores} cores took part"),
        Figure("their peak speed in single precision [%]", "the same engine in double precision",
               len(few), middle, worst, goal="0.5 at worst", met=worst <= 0.5),
    ]  # fmt: skip


def _family_lot(lot, inputs: np.ndarray, numbers: list[int]) -> list:
    return lot(numbers, inputs[numbers])


def counted() -> tuple[float, float]:
    """Operations and numbers moved, for a node and a step: the source run on counting numbers."""
    code = "from benchmarks.ensemble import count_here; print(*count_here())"
    env = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True,
                          check=True)  # fmt: skip
    operations, moved = map(float, done.stdout.split())
    return operations, moved


def count_here() -> tuple[float, float]:
    """`counted`, in a process that compiles nothing."""
    from benchmarks.counting import Numbers, Tally
    from lashwave.mechanics import ledger, member, side_by_side as door
    from lashwave.mechanics.member_rows import Shape

    given = door.given_of([swing(ensemble.draw(1, 2)[0])], FINENESS, ())
    n, found = (
        Shape(LINKS, 0, one_throw.end_of(LINKS)),
        ledger.ThrowResults(np.zeros((1, len(RESULTS))), np.zeros(())),
    )
    desk = door._desk(given, 1, 100, float)
    ledger.fill(given, desk, 0, 0, n)
    for _ in range(4):
        tally = Tally()
        watched = [
            Numbers(array, tally) for array in (desk.line, desk.motion, desk.step, desk.hand)
        ]
        member.forth(*watched, 0, n)
        member.back(*watched, 0, n)
        ledger.tick(given, desk, found, 0, n)
    return tally.operations / (LINKS + 1), tally.moved / (LINKS + 1)


def ceilings(cuda) -> tuple[float, float]:
    """Single-precision operations a second and bytes a second that the card reaches here."""

    def multiply(out, turns):
        a, b = np.float32(1.0001), np.float32(cuda.grid(1))
        x0 = x1 = x2 = x3 = x4 = x5 = x6 = x7 = b
        for _ in range(turns):
            x0, x1, x2, x3 = x0 * a + b, x1 * a + b, x2 * a + b, x3 * a + b
            x4, x5, x6, x7 = x4 * a + b, x5 * a + b, x6 * a + b, x7 * a + b
        out[cuda.grid(1)] = x0 + x1 + x2 + x3 + x4 + x5 + x6 + x7

    def copy(source, out):
        for i in range(cuda.grid(1), out.size, cuda.gridsize(1)):
            out[i] = source[i]

    blocks, threads, turns = cuda.get_current_device().MULTIPROCESSOR_COUNT * 16, 256, 20_000
    out = cuda.device_array(blocks * threads, np.float32)
    source, target = (cuda.device_array(1 << 29, np.float32) for _ in range(2))
    best = []
    for kernel, given in ((cuda.jit(fastmath=True)(multiply), (out, turns)),
                          (cuda.jit(copy), (source, target))):  # fmt: skip
        took = []
        for _ in range(4):
            cuda.synchronize()
            began = time.perf_counter()
            kernel[blocks, threads](*given)
            cuda.synchronize()
            took.append(time.perf_counter() - began)
        best.append(min(took))
    return 16.0 * turns * out.size / best[0], 2.0 * source.nbytes / best[1]


def repeated(given: Given, times: int) -> Given:
    """The same members, over and over."""
    parts = {k: getattr(given, k) for k in given._fields[:5]}
    return given._replace(**{
        k: np.tile(part, (times, *[1] * (part.ndim - 1))) for k, part in parts.items()
    })  # fmt: skip


def on_card(pool: ProcessPoolExecutor, count: int, distinct: int = 2048) -> list[Figure]:
    """Swings on the card: how many a second, their peaks, its arithmetic and memory."""
    from numba import cuda

    from lashwave.mechanics import on_gpu, side_by_side
    from lashwave.mechanics.member_rows import Shape

    flung, began = ensemble.draw(distinct, 2), time.monotonic()
    parts = [flung[i : i + 16] for i in range(0, 256, 16)]
    meanwhile = pool.map(partial(computed, exact=True), parts)
    given = side_by_side.given_of([swing(row) for row in flung], FINENESS, ())
    print(f"prepared {distinct} swings in {time.monotonic() - began:.1f} s", flush=True)
    n, times = Shape(LINKS, 0, one_throw.end_of(LINKS)), -(-count // distinct)
    many, best = repeated(given, times), (np.inf, 0)
    for resident, registers in TRIED:
        on_gpu.RESIDENT, on_gpu.REGISTERS = resident, registers
        on_gpu.compute(given, n, STEPS_AT_MOST)
        found, took = on_gpu.compute(many, n, STEPS_AT_MOST)
        print(f"{resident} a processor, {registers} registers: {times * distinct} in {took:.2f} s",
              flush=True)  # fmt: skip
        best = min(best, (took, resident))
    took, peaks = best[0], found.result[:distinct, SPEED]
    exact = np.concatenate(list(meanwhile))[:, SPEED]
    middle, worst = nearness(peaks[: exact.size], exact)
    operations, moved = counted()
    node_steps = np.nansum(found.result[:, STEPS]) * (LINKS + 1) / took
    arithmetic, memory = ceilings(cuda)
    share = (operations * node_steps / arithmetic, 4 * moved * node_steps / memory)
    rate = times * distinct * SPAN / took
    print(f"card: {rate:.0f} line-seconds a second, {node_steps:.3g} node-steps a second; "
          f"{operations:.0f} operations and {moved:.0f} numbers a node-step: {share[0]:.1%} of "
          f"{arithmetic:.3g} operations/s, {share[1]:.1%} of {memory:.3g} B/s; peaks off by "
          f"{middle:.4f} % ({worst:.4f} at worst)", flush=True)  # fmt: skip
    name = cuda.get_current_device().name
    kind = f"one {name.decode() if isinstance(name, bytes) else name}"
    return [
        Figure("line-seconds a second at 60 nodes on a card, single precision", kind,
               times * distinct, rate, goal="50,000", met=rate >= 5e4,
               beside=f"{share[0]:.0%} of its arithmetic ({arithmetic / 1e12:.0f} Tflop/s, found "
               f"by multiplying), {share[1]:.0%} of its memory ({memory / 1e12:.1f} TB/s, measured "
               f"by copying); {distinct} throws, {times} times each"),
        Figure("peak speed on the card [%]", "a CPU in double precision", exact.size, middle, worst,
               goal="0.5 at worst", met=worst <= 0.5),
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=2048)
    parser.add_argument("--swings", type=int, default=1024)
    parser.add_argument("--cores", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--card", type=int, default=0, help="swings on a graphics card; 0: none")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.cores, get_context("spawn")) as pool:
        if asked.card:
            found = on_card(pool, asked.card)
            name, title = "ensemble-card", "Throws by the thousand on a graphics card"
        else:
            found = family(pool, asked.cores, asked.count) + swings(pool, asked.cores, asked.swings)
            name, title = "ensemble", "Throws by the thousand"
    if asked.keep:
        card = f" --card {asked.card}" if asked.card else ""
        figures.save(name, title, found, typed=f"python -m benchmarks.ensemble{card} --keep")


if __name__ == "__main__":
    main()
