"""Twin and blind trials through the whole estimate: the figures that the project must reach.

    python benchmarks/trials.py --count 40 --kind throw
    python benchmarks/trials.py --count 10 --engine --second-view

Each finished trial is one line of JSON in --cache, so that a stopped run goes on where it was;
`--report` only prints what is there.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import figures
import numpy as np
import trial_figures
from droops import with_droops
from score import (
    answer_scores,
    band,
    by_time,
    closure,
    motion_scores,
    naive_peaks,
    slide,
    true_damping,
)

from lashwave import twin
from lashwave.twin.views import Wishes

HARDSHIPS = ("splice", "leaving", "half-grip")
FLAGS = ("engine", "no_camera", "second_view", "flashes", "lost_third", "no_stiffness")
AMOUNTS = ("ghosts", "missing", "swaps", "clock_wrong", "droop_only")
GOALS = {"rms_seen": 1e-3, "rms_lost": 4e-3, "rms_peak_lost": 8e-3}


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    """The command line, or `words` in its place."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--kind", choices=("throw", "wide", "swing", "held"), default="throw")
    parser.add_argument("--no-camera", action="store_true")
    parser.add_argument("--second-view", action="store_true")
    parser.add_argument("--flashes", action="store_true")
    parser.add_argument("--lost-third", action="store_true")
    parser.add_argument("--ghosts", type=float, default=0.0)
    parser.add_argument("--missing", type=float, default=0.0)
    parser.add_argument("--swaps", type=int, default=0)
    parser.add_argument("--clock-wrong", type=float, default=0.0, metavar="S")
    parser.add_argument("--no-stiffness", action="store_true")
    parser.add_argument(
        "--droop-only", type=int, choices=(0, 1, 2, 3), default=0, metavar="TESTS",
        help="droop tests in place of the stiffness column",
    )  # fmt: skip
    parser.add_argument("--engine", action="store_true", help="truth of the independent engine")
    parser.add_argument(
        "--hard", choices=HARDSHIPS, default="",
        help="a heavy splice; a tip that leaves the picture at its peak; a grip half hidden",
    )  # fmt: skip
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks"))
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument(
        "--note", action="append", default=[], help="a sentence to keep with them; may be repeated"
    )
    args = parser.parse_args(words)
    if args.engine and args.droop_only:
        parser.error("--droop-only is of the project's own twin")
    if args.hard and not args.engine:
        parser.error("--hard is of the independent engine")
    return args


def name_of(args: argparse.Namespace) -> str:
    """One word a setting, for the cache's file name."""
    words = ["blind" if args.engine else "twin", args.kind]
    for flag in FLAGS[1:]:
        words += [flag] if getattr(args, flag) else []
    words += [args.hard] if args.hard else []
    for option in AMOUNTS:
        words += [f"{option}{getattr(args, option):g}"] if getattr(args, option) else []
    return "-".join(words)


def make(args: argparse.Namespace, seed: int) -> tuple[Any, Any]:
    """The trial and its truth."""
    wishes = {
        "camera": not args.no_camera,
        "second_view": args.second_view,
        "ghosts": args.ghosts,
        "missing": args.missing,
        "swaps": args.swaps,
        "flashes": args.flashes,
        "lost_third": args.lost_third,
        "clock_wrong": args.clock_wrong,
    }
    if args.engine:
        from blind import make_blind

        stiff = not args.no_stiffness
        return make_blind(seed, args.kind, Wishes(**wishes), stiff, args.cache, args.hard)
    trial, truth = twin.make(seed, args.kind, stiffness=not args.no_stiffness, **wishes)
    return with_droops(trial, truth, args.droop_only) if args.droop_only else (trial, truth)


def one(args: argparse.Namespace, seed: int) -> dict[str, Any]:
    """Run one trial and score it; a failure is a record too."""
    import hand_set

    from lashwave.pipeline import reconstruct_trial
    from lashwave.quantities.errors import LashwaveError

    record: dict[str, Any] = {"seed": seed}
    record |= {"commit": figures.commit(), "machine": figures.machine()}
    begun = time.time()
    try:
        trial, truth = make(args, seed)
        record["made_s"] = round(time.time() - begun, 1)
        begun, cpu = time.time(), time.process_time()
        fit, answers, _ = reconstruct_trial(trial)
    except LashwaveError as problem:
        record["failed"] = f"{type(problem).__name__}: {problem}"
        return record
    record["wall_s"] = round(time.time() - begun, 1)
    record["cpu_s"] = round(time.process_time() - cpu, 1)
    record["memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    record["frames"] = [int(c.frame.size) for c in trial.cameras]
    record["duration"] = float(trial.markers.time[-1])
    peak = truth.answers["peak_tip_speed_time"]
    record["motion"] = motion_scores(trial, truth.path, fit, peak)
    record["by_time"] = by_time(trial, truth.path, fit)
    record["hand_set"] = hand_set.in_force()
    record["slide"] = slide(trial, truth.path, fit, peak)
    known = (
        truth.answers
        if args.engine
        else truth.answers | {"damping_loss": true_damping(trial, truth)}
    )
    record["answers"] = answer_scores(answers, known)
    record["closure"] = closure(answers, truth.answers)
    record["naive"] = naive_peaks(trial)
    record["warnings"] = list(fit.warnings)
    return record


def _spread(values: list[float], scale: float) -> str:
    """Median, and the worst in brackets."""
    if not values:
        return "-"
    picked = np.asarray(values) * scale
    return f"{np.median(picked):.2f} (worst {picked.max():.2f})"


def _errors(records: list[dict[str, Any]], name: str, relative: bool) -> list[float]:
    """Absolute errors of an answer over the trials that have both value and truth."""
    found = []
    for record in records:
        answer = record["answers"].get(name)
        if answer and answer["value"] is not None and answer["truth"] is not None:
            error = abs(answer["value"] - answer["truth"])
            found.append(error / abs(answer["truth"]) if relative else error)
    return found


def print_motion(records: list[dict[str, Any]]) -> None:
    """Position errors and coverages."""
    print("position RMS [mm]: pooled over trials, median, worst; naive practice; goal")
    for part in ("seen", "lost", "peak_seen", "peak_lost"):
        values, plain = (
            [r["motion"][f"{who}_{part}"] for r in records if r["motion"].get(f"{who}_{part}")]
            for who in ("rms", "naive")
        )
        if not values:
            continue
        pooled = 1e3 * float(np.sqrt(np.mean(np.square(values))))
        goal = GOALS.get(f"rms_{part}")
        tail = f"goal {1e3 * goal:.0f}" if goal else ""
        print(
            f"  {part:10s} {pooled:7.2f}  {_spread(values, 1e3):24s} "
            f"naive {_spread(plain, 1e3):26s} {tail}"
        )
    print("share of coordinates inside their 95 % interval (goal 0.90 to 0.99)")
    for part in ("seen", "lost", "peak"):
        values = [r["motion"][f"cover_{part}"] for r in records if r["motion"].get(f"cover_{part}")]
        if values:
            print(f"  {part:10s} mean {np.mean(values):.3f}, lowest {np.min(values):.3f}")


def print_answers(records: list[dict[str, Any]]) -> None:
    """Errors of the answers, and how many intervals hold the truth."""
    print("errors of the answers, median (worst)")
    for name, scale, unit, relative, goal in (
        ("peak_tip_speed", 100, "%", True, "5"),
        ("peak_tip_speed_100us", 100, "%", True, "3 with one camera, 1.5 with two"),
        ("peak_tip_speed_time", 1e3, "ms", False, ""),
        ("sonic_time", 1e3, "ms", False, "0.1"),
        ("sonic_station", 1e3, "mm", False, "30"),
        ("clock_offset:tip-view", 1e6, "us", False, "15"),
        ("hand_work", 100, "%", True, "3"),
        ("hand_impulse", 100, "%", True, "2"),
        ("peak_grip_tension", 100, "%", True, "5"),
    ):
        errors = _errors(records, name, relative)
        tail = f"goal {goal}" if goal else ""
        print(f"  {name:24s} {_spread(errors, scale):28s} {unit:3s} n={len(errors):3d}  {tail}")
    closed = [abs(r["closure"]) for r in records if r.get("closure") is not None]
    print(
        f"  {'account, of the work':24s} {_spread(closed, 100):28s} %   n={len(closed):3d}  goal 1"
    )
    print("95 % intervals that hold the truth, of how many; 99.9 % binomial band")
    names = sorted({name for r in records for name in r["answers"]})
    for name in names:
        inside = [r["answers"][name]["inside"] for r in records if name in r["answers"]]
        inside = [hit for hit in inside if hit is not None]
        if inside:
            low, high = band(len(inside))
            verdict = "" if low <= sum(inside) <= high else "  OUTSIDE"
            print(f"  {name:28s} {sum(inside):3d} of {len(inside):3d}  [{low}, {high}]{verdict}")


def print_report(records: list[dict[str, Any]], title: str) -> None:
    """Everything, for people."""
    good = [r for r in records if "failed" not in r]
    print(f"\n{title}: {len(good)} trials, {len(records) - len(good)} failed")
    for record in records:
        if "failed" in record:
            print(f"  seed {record['seed']}: {record['failed']}")
    if not good:
        return
    wall, cpu = (_spread([r[key] for r in good], 1.0) for key in ("wall_s", "cpu_s"))
    print(f"seconds a trial: wall {wall}, CPU {cpu}; memory {max(r['memory_mb'] for r in good)} MB")
    print_motion(good)
    print_answers(good)
    for way in ("markers", "camera"):
        errors = [
            abs(r["naive"][way] / r["answers"]["peak_tip_speed"]["truth"] - 1)
            for r in good
            if r["naive"].get(way) and "peak_tip_speed" in r["answers"]
        ]
        print(f"naive peak tip speed off {way}: wrong by {_spread(errors, 100)} %")


def main() -> None:
    args = arguments()
    args.cache.mkdir(parents=True, exist_ok=True)
    kept = args.cache / f"{name_of(args)}.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    records = {record["seed"]: record for record in map(json.loads, lines)}
    for seed in range(args.first, args.first + args.count):
        if seed in records or args.report:
            continue
        record = one(args, seed)
        records[seed] = record
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(record) + "\n")
        short = record.get("failed") or {
            name: round(1e3 * record["motion"][name], 2)
            for name in ("rms_seen", "rms_lost", "rms_peak_lost")
            if record["motion"].get(name)
        }
        print(f"seed {seed}: {short}", flush=True)
    found = [records[seed] for seed in sorted(records)]
    print_report(found, name_of(args))
    if args.keep and found:
        keep(args, found)


def runs(seeds: Sequence[int]) -> list[tuple[int, int]]:
    """First seed and count of each unbroken run, so that no command claims a seed left out."""
    found: list[tuple[int, int]] = []
    for seed in sorted(seeds):
        if found and seed == sum(found[-1]):
            found[-1] = (found[-1][0], found[-1][1] + 1)
        else:
            found.append((seed, 1))
    return found


def keep(args: argparse.Namespace, records: list[dict[str, Any]]) -> None:
    """Keep the figures for the docs, under the command that makes all these records."""
    name = name_of(args).replace("blind", "engine")
    rows, notes = trial_figures.figures(records, args.engine)
    seeds = [record["seed"] for record in records]
    words = [f"--{flag.replace('_', '-')}" for flag in FLAGS if getattr(args, flag)]
    words += ["--hard " + args.hard] if args.hard else []
    words += [f"--{o.replace('_', '-')} {getattr(args, o):g}" for o in AMOUNTS if getattr(args, o)]
    asked = " ".join(["python benchmarks/trials.py --kind", args.kind, *words])
    typed = " && ".join(f"{asked} --first {a} --count {n}" for a, n in runs(seeds)) + " --keep"
    last = max(records, key=lambda record: record["seed"])
    at = (last.get("commit", figures.commit()), last.get("machine", figures.machine()))
    title = f"Whole trials: {' '.join([args.kind, *words]).replace('--', '')}"
    figures.save(name, title, rows, [*notes, *args.note], measured_at=at, typed=typed)


if __name__ == "__main__":
    main()
