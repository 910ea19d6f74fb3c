"""What a plan foretells against what simulated set-ups achieve.

    python benchmarks/plan.py --cache OUT.jsonl            runs what is not there yet
    python benchmarks/plan.py --cache OUT.jsonl --keep     keeps the figures
    python benchmarks/plan.py --cache OUT.jsonl --only "markers 250 Hz" --keep     of one set-up

Twenty set-ups, unlike in cameras, markers and clocks, each on a throw of the bench that carries
its own markers. The plan looks at one factor of the equations at the true motion; what is achieved
comes from recording the throw with fresh noise and fitting it with no knowledge of the motion.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import figures
import numpy as np
from figures import TWIN, Figure

from lashwave import twin
from lashwave.quantities import BenchPlan, LashwaveError, PlannedMarkers, PlannedView

SPAN = (0.25, 0.008)
"""Record before and after the peak [s]."""
SEEDS = (11, 17, 4, 20)
"""Throws of the bench that are watched in turn."""
RATIO = (0.8, 1.25)
NAMES = ("peak_tip_speed", "peak_tip_speed_100us", "sonic_time", "hand_work", "peak_kinetic_energy")
SHOWN = ("peak_tip_speed", "hand_work")
"""Answers whose ratio is held against the goal."""


def set_ups() -> list[BenchPlan]:
    """Twenty of them."""
    m, v = PlannedMarkers, PlannedView
    one, two = (v(),), (v(), v(angle=0.9))
    return [
        BenchPlan("plain", m(), one),
        BenchPlan("8 markers", m(count=8), one),
        BenchPlan("16 markers", m(count=16), one),
        BenchPlan("markers 1 kHz", m(rate=1000.0), one),
        BenchPlan("markers 250 Hz", m(rate=250.0), one),
        BenchPlan("markers 1 mm", m(sd=1e-3), one),
        BenchPlan("markers 0.15 mm", m(sd=0.15e-3), one),
        BenchPlan("stations 3 mm", m(station_sd=3e-3), one),
        BenchPlan("camera 10 kHz", m(), (v(rate=10e3),)),
        BenchPlan("camera 50 kHz", m(), (v(rate=50e3, frames=200),)),
        BenchPlan("camera 1.5 px", m(), (v(sd=1.5),)),
        BenchPlan("wide view", m(), (v(width=0.8),)),
        BenchPlan("narrow view", m(), (v(width=0.2),)),
        BenchPlan("clock 0.1 ms", m(), (v(clock_sd=1e-4),)),
        BenchPlan("registered 0.5 px", m(), (v(registration_sd=0.5),)),
        BenchPlan("two views", m(), two),
        BenchPlan("no camera", m(), ()),
        BenchPlan("no camera, 1 kHz", m(rate=1000.0), ()),
        BenchPlan("a fifth missing", m(missing=0.2), one),
        BenchPlan("lost from 30 m/s", m(loss_speed=30.0), one),
    ]


def truths(throw: twin.Planned) -> dict[str, float]:
    """True answers over the record."""
    motion = throw.motion
    part = (motion.time >= throw.peak - SPAN[0]) & (motion.time <= throw.peak + SPAN[1])
    speed = np.linalg.norm(motion.velocity[:, -1], axis=-1)
    return {
        "peak_tip_speed": float(speed.max()),
        "hand_work": float(np.trapezoid(motion.hand_power[part], motion.time[part])),
        "peak_kinetic_energy": float(motion.kinetic[part].max()),
    }


def foretell(number: int, folder: str) -> dict[str, Any]:
    """The plan for one set-up; its throw is kept for the runs."""
    from lashwave.study import plan

    wanted = set_ups()[number]
    throw = twin.expected(SEEDS[number % len(SEEDS)], wanted.markers)
    (Path(folder) / f"{number}.pickle").write_bytes(pickle.dumps(throw))
    begun = time.process_time()
    found = plan.foretold(twin.watched(throw, wanted, None, SPAN), throw.places)
    return {
        "kind": "plan", "number": number, "cpu_s": round(time.process_time() - begun, 1),
        "sd": {n: a.sd for n, a in found.items()}, "value": {n: a.value for n, a in found.items()},
        "truth": truths(throw),
    }  # fmt: skip


def achieve(number: int, repeat: int, folder: str) -> dict[str, Any]:
    """One record of one set-up, fitted."""
    from lashwave.answers import answer
    from lashwave.estimate import solved
    from lashwave.estimate.noise import spread
    from lashwave.estimate.posterior import draws_of
    from lashwave.study import plan

    throw = pickle.loads((Path(folder) / f"{number}.pickle").read_bytes())
    trial = twin.watched(throw, set_ups()[number], repeat, SPAN)
    record: dict[str, Any] = {"kind": "run", "number": number, "repeat": repeat}
    begun = time.process_time()
    try:
        setup, joint = solved(trial)
    except LashwaveError as problem:
        return record | {"failed": str(problem)}
    found, _, _ = answer(trial, plan.fit_of(draws_of(setup, joint, joint.factor)))
    return record | {
        "cpu_s": round(time.process_time() - begun, 1), "excess": joint.excess,
        "density": float(np.median(joint.density / spread(setup, joint.path))),
        "sd": {n: a.sd for n, a in found.items() if a.sd is not None},
        "value": {n: a.value for n, a in found.items() if a.value is not None},
    }  # fmt: skip


def run(cache: Path, repeats: int, seconds: float, processes: int, only: str | None) -> None:
    """Plans first, then runs, until the time is spent; a line of JSON each."""
    folder = cache.parent / "throws"
    folder.mkdir(parents=True, exist_ok=True)
    kept = read(cache)
    planned = {r["number"] for r in kept if r["kind"] == "plan"}
    done = {(r["number"], r["repeat"]) for r in kept if r["kind"] == "run"}
    began = time.monotonic()

    def keep(record: dict[str, Any]) -> None:
        record |= {"commit": figures.commit(), "machine": figures.machine()}
        with cache.open("a", encoding="utf-8") as file:
            file.write(json.dumps(record) + "\n")
        words = record.get("failed") or record["cpu_s"]
        what = (record["kind"], record["number"], record.get("repeat"))
        print(*what, words, f"{time.monotonic() - began:.0f} s", flush=True)

    names, where = [one.name for one in set_ups()], str(folder)
    asked = range(len(names)) if only is None else [names.index(only)]
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        waiting = {pool.submit(foretell, n, where) for n in asked if n not in planned}
        runs = [(n, k) for k in range(repeats) for n in asked if (n, k) not in done]
        ready = set(planned)
        while waiting:
            future = next(as_completed(waiting))
            waiting.remove(future)
            record = future.result()
            keep(record)
            if record["kind"] == "plan":
                ready.add(record["number"])
            late = time.monotonic() - began > seconds
            for job in [] if late else [r for r in runs if r[0] in ready]:
                if len(waiting) >= processes + 2:
                    break
                runs.remove(job)
                waiting.add(pool.submit(achieve, *job, where))


def read(cache: Path) -> list[dict[str, Any]]:
    """What was kept."""
    if not cache.exists():
        return []
    return [json.loads(line) for line in cache.read_text(encoding="utf-8").splitlines()]


def compared(records: list[dict[str, Any]]) -> dict[str, list[tuple[str, float, float, float]]]:
    """By answer, of each set-up: name, foretold sd, achieved sd, RMS error over the foretold."""
    names = [one.name for one in set_ups()]
    found: dict[str, list[tuple[str, float, float, float]]] = {name: [] for name in NAMES}
    for record in (r for r in records if r["kind"] == "plan"):
        number = record["number"]
        runs = [r for r in records if r["kind"] == "run" and r["number"] == number]
        runs = [r for r in runs if "sd" in r]
        for name in NAMES:
            sds = [r["sd"][name] for r in runs if name in r["sd"]]
            if name not in record["sd"] or not sds:
                continue
            sd, truth = record["sd"][name], record["truth"].get(name)
            off = [r["value"][name] - truth for r in runs] if truth is not None else [np.nan]
            rms = float(np.sqrt(np.mean(np.square(off)))) / sd
            found[name].append((names[number], sd, float(np.median(sds)), rms))
    return found


def summed_up(records: list[dict[str, Any]]) -> list[Figure]:
    """The figures."""
    rows = []
    for name, pairs in compared(records).items():
        if not pairs:
            continue
        ratio = np.array([plan / got for _, plan, got, _ in pairs])
        inside = float(((ratio >= RATIO[0]) & (ratio <= RATIO[1])).mean())
        errors = np.array([rms for *_, rms in pairs])
        goal = name in SHOWN
        rows.append(Figure(
            f"{name.replace('_', ' ')}: foretold over achieved sd [1]", TWIN, len(pairs),
            float(np.median(ratio)), float(ratio[np.abs(np.log(ratio)).argmax()]),
            "0.8 to 1.25 for 90 %" if goal else "",
            bool(inside >= 0.9 and len(pairs) >= 20) if goal else None,
            f"{inside:.0%} within 0.8 to 1.25",
            beside="" if np.isnan(errors).all() else
            f"errors over the foretold sd, RMS {np.nanmedian(errors):.2g} in the median set-up",
        ))  # fmt: skip
    return rows


def in_words(records: list[dict[str, Any]]) -> str:
    """How many records were fitted, and what counts as achieved."""
    runs = [r for r in records if r["kind"] == "run"]
    failed = sum("failed" in r for r in runs)
    return (
        f"{len(runs)} records fitted, {failed} of them in vain; each the last quarter second "
        "before the crack. Achieved is "
    )


def keep_all(records: list[dict[str, Any]]) -> None:
    """The figures of twenty set-ups."""
    figures.save(
        "plan", "Plan: foretold and achieved standard deviations of twenty set-ups",
        summed_up(records), [in_words(records) + "the median of what the fits state."],
        measured_at=(records[-1]["commit"], records[-1]["machine"]),
    )  # fmt: skip


def keep_one(records: list[dict[str, Any]], name: str) -> None:
    """The figures of one set-up: every fit by itself."""
    number = [one.name for one in set_ups()].index(name)
    records = [r for r in records if r["number"] == number]
    (plan,) = (r for r in records if r["kind"] == "plan")
    runs = [r for r in records if r["kind"] == "run" and "sd" in r]
    rows = []
    for answer in NAMES:
        # A fit that went astray may state that it knows a time exactly.
        told = [r for r in runs if r["sd"].get(answer, 0.0) > 0.0]
        ratio = np.array([plan["sd"][answer] / r["sd"][answer] for r in told])
        if answer not in plan["sd"] or not ratio.size:
            continue
        inside = float(((ratio >= RATIO[0]) & (ratio <= RATIO[1])).mean())
        beside, truth = "", plan["truth"].get(answer)
        if truth is not None:
            off = [abs(r["value"][answer] - truth) / r["sd"][answer] for r in told]
            beside = f"errors over the stated sd: {', '.join(f'{x:.2g}' for x in sorted(off))}"
        rows.append(Figure(
            f"{answer.replace('_', ' ')}: foretold over achieved sd [1]", TWIN, ratio.size,
            float(np.median(ratio)), float(ratio[np.abs(np.log(ratio)).argmax()]),
            "0.8 to 1.25 for 90 %" if answer in SHOWN else "",
            inside >= 0.9 if answer in SHOWN else None,
            f"{inside:.0%} within 0.8 to 1.25", beside=beside,
        ))  # fmt: skip
    figures.save(
        "plan-" + "".join(c if c.isalnum() else "-" for c in name),
        f"Plan: one set-up again, {name}", rows,
        [in_words(records) + "what each fit states."],
        measured_at=(records[-1]["commit"], records[-1]["machine"]),
    )  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, default=Path("out/plan/plan.jsonl"))
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no run after these")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", choices=[one.name for one in set_ups()], help="one set-up")
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    if not (asked.report or asked.keep):
        run(asked.cache, asked.repeats, asked.seconds, asked.processes, asked.only)
    found = read(asked.cache)
    for name, pairs in compared(found).items():
        for what, plan_sd, got, rms in pairs:
            print(f"{name:22s} {what:20s} {plan_sd:.4g} {got:.4g} {plan_sd / got:.2f} {rms:.2f}")
    for row in summed_up(found):
        print(row.what, row.median, row.worst, row.holds, row.beside)
    if asked.keep:
        keep_all(found) if asked.only is None else keep_one(found, asked.only)
