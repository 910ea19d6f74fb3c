"""Does a fit end at the same minimum when its equations are formed and solved another way?

    python benchmarks/same_minimum.py --set whole --workers 20 --within 1700 --results "$OUT"
    python benchmarks/same_minimum.py --set whole --from RESULTS --keep

Twenty throws of the simulator, the list fixed here: short ones on a coarse chain, each of another
line (`campaign_throws`; 25 CPU s), or with `--set whole` throws as `lashwave simulate` makes them,
fitted as `reconstruct` does (a quarter of an hour). Each is fitted three times from the same sweep:
as the program does; the plain way (`plain_equations`); and as the program does with errors of the
size of rounding in each step, which says how far apart two ways may end that are both right. Each
throw that ends is a line of JSON in RESULTS at once, and is not done again.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path as File
from typing import Any

import numpy as np

ROOT = File(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks")]

import figures  # noqa: E402

THROWS = {"short": range(100, 120), "whole": range(800, 820)}
"""Lines of `campaign_throws`, the first throw of each; seeds of `lashwave simulate`."""
ROUNDING = 1e-13
"""Of a step, relative, where it is disturbed."""
COARSE = {"most_links": 24, "turn": 0.4, "longest_step": 3e-3, "sweep_turn": 0.6}
GOALS = {"cost": 1e-6, "answers": 0.1}
WAYS = ("plain", "disturbed")


@contextlib.contextmanager
def fitted_by(way: str) -> Iterator[None]:
    """While this lasts, joint fits are done this way."""
    from plain_equations import PlainProblem, plain_factor, plain_normal

    from lashwave.estimate import joint, levenberg

    random = np.random.default_rng(1)

    class Disturbed(levenberg.Undivided):
        def newton(self, path: Any, damping: float) -> Any:
            found = super().newton(path, damping)
            found.step[:] *= 1.0 + ROUNDING * random.standard_normal(found.step.size)
            return found

    def final(
        setup: Any, path: Any, density: Any, weights: Any, anchor: Any, _room: Any = None
    ) -> Any:
        normal = plain_normal(setup, path, density, weights, anchor)
        for damping in joint.FINAL_DAMPINGS:
            with contextlib.suppress(np.linalg.LinAlgError):
                return normal, plain_factor(normal, damping)
        raise np.linalg.LinAlgError("no damping makes a factor")

    usual = levenberg.Undivided, joint.final
    if way == "plain":
        levenberg.Undivided, joint.final = PlainProblem, final
    elif way == "disturbed":
        levenberg.Undivided = Disturbed
    try:
        yield
    finally:
        levenberg.Undivided, joint.final = usual


def thrown(kind: str, seed: int) -> Any:
    """The trial."""
    from campaign_throws import made

    from lashwave import twin
    from lashwave.pipeline import read_usable

    if kind == "whole":
        return twin.make(seed, "throw")[0]
    with tempfile.TemporaryDirectory(prefix="lashwave-same-") as place:
        made(File(place), seed, 0)
        return read_usable(next((File(place) / "trials").iterdir()))


def fits(kind: str, seed: int) -> dict[str, Any]:
    """Cost and answers of a throw by each way, from one sweep."""
    from lashwave.estimate import Options, fusion, normal as eq
    from lashwave.pipeline import reconstruct_trial

    trial, options = thrown(kind, seed), Options(**(COARSE if kind == "short" else {}))
    plain_sweep, plain_fit = fusion.sweep, fusion.joint_fit
    swept: dict[Any, Any] = {}
    way, found = "", dict[str, Any]()

    def sweep(setup: Any, progress: Any, stride: Any, front: Any = None) -> Any:
        key = stride, setup.chain.links, float(setup.trial.markers.time[-1])
        if key not in swept:
            done = plain_sweep(setup, progress, stride, front)
            swept[key] = done, setup.shared.mean.copy()  # which the sweep has moved
        done, setup.shared.mean[:] = swept[key]
        return done[0], replace(done[1], marker=done[1].marker.copy())

    def joint_fit(*given: Any) -> Any:
        with fitted_by(way):
            joint = plain_fit(*given)
        cost = eq.cost_of(joint.held, joint.path, joint.density, joint.weights, joint.anchor)
        found.setdefault(way, {}).update(cost=cost, steps=len(joint.history))
        return joint

    fusion.sweep, fusion.joint_fit = sweep, joint_fit
    try:
        for way in ("", *WAYS):
            begun = time.process_time()
            _, answers, _ = reconstruct_trial(trial, options=options)
            values = {n: (a.value, a.sd) for n, a in answers.items() if a.value is not None}
            found[way] |= {"answers": values, "cpu_s": round(time.process_time() - begun, 1)}
    finally:
        fusion.sweep, fusion.joint_fit = plain_sweep, plain_fit
    return found


def run(kind: str, seed: int) -> dict[str, Any]:
    """One throw, compared; a failure is a row too."""
    row: dict[str, Any] = {"seed": seed, "commit": figures.commit(), "machine": figures.machine()}
    try:
        found = fits(kind, seed)
    except Exception as problem:  # a throw that cannot be fitted is said, and the others go on
        return row | {"failed": f"{type(problem).__name__}: {problem}"}
    own = found[""]
    for way in WAYS:
        other = found[way]
        apart = {
            name: abs(value - other["answers"][name][0]) / sd
            for name, (value, sd) in own["answers"].items()
            if sd and name in other["answers"] and np.isfinite(sd)
        }
        most = max(apart, key=lambda name: apart[name])
        row[way] = {
            "cost": abs(other["cost"] / own["cost"] - 1.0), "answers": apart[most], "most": most,
            "median": float(np.median(list(apart.values()))), "steps": other["steps"],
            "cpu_s": other["cpu_s"],
        }  # fmt: skip
    return row | {"final_cost": own["cost"], "steps": own["steps"], "cpu_s": own["cpu_s"]}


def ran(args: argparse.Namespace) -> list[dict[str, Any]]:
    """Rows of the throws asked for, those that are there already taken as they are."""
    args.results.mkdir(parents=True, exist_ok=True)
    kept = args.results / f"same-minimum-{args.set}.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    rows = {row["seed"]: row for row in map(json.loads, lines)}
    first = THROWS[args.set][0] if args.first is None else args.first
    asked = range(first, first + args.count)
    todo = [seed for seed in asked if seed not in rows]
    begun = time.monotonic()
    pool = ProcessPoolExecutor(
        args.workers, multiprocessing.get_context("spawn"), max_tasks_per_child=1
    )
    try:
        for done in as_completed(
            [pool.submit(run, args.set, s) for s in todo], timeout=args.within
        ):
            row = done.result()
            rows[row["seed"]] = row
            with kept.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
            print(f"{time.monotonic() - begun:.0f} s", said(row), flush=True)
    except TimeoutError:
        print("the time is up", flush=True)
    for process in list((pool._processes or {}).values()):
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)
    return [rows[seed] for seed in asked if seed in rows]


def said(row: dict[str, Any]) -> str:
    """A row in words."""
    if "failed" in row:
        return f"{row['seed']}: {row['failed']}"
    parts = [f"{row['seed']}: cost {row['final_cost']:.1f}, {row['steps']} steps"]
    for way in WAYS:
        of = row[way]
        parts.append(f"{way}: cost {of['cost']:.1e}, answers {of['answers']:.3f} sd ({of['most']}; "
                     f"median {of['median']:.4f}), {of['steps']} steps")  # fmt: skip
    return "; ".join(parts)


def table(rows: list[dict[str, Any]]) -> list[figures.Figure]:
    """As figures, printed as well."""
    good = [row for row in rows if "failed" not in row]
    found = []
    words = {"plain": "plain equations", "disturbed": "rounding errors alone"}
    for way in WAYS:
        for what, unit in (("cost", "relative"), ("answers", "their deviations")):
            values = np.array([row[way][what] for row in good])
            middle, worst = float(np.median(values)), float(values.max())
            goal = f"{GOALS[what]:g} at worst" if way == "plain" else ""
            within = int((values <= GOALS[what]).sum())
            name = "final cost" if what == "cost" else "answer that differs most"
            found.append(
                figures.Figure(
                    f"{name}, {words[way]} [{unit}]", "the same fit", len(good), middle, worst,
                    goal=goal, met=worst <= GOALS[what] if goal else None,
                    beside=f"{within} of {len(good)} within {GOALS[what]:g}",
                )
            )  # fmt: skip
            print(f"{found[-1].what}: median {middle:.2e}, worst {worst:.2e}; {found[-1].beside}")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--set", choices=tuple(THROWS), default="short")
    parser.add_argument("--first", type=int, help="first line, or seed, in place of the list's")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--within", type=float, default=86400.0, help="time for all [s]")
    parser.add_argument("--results", type=File, default=File("out/benchmarks/same_minimum"))
    parser.add_argument("--from", dest="given", type=File, help="rows of an earlier run")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    if args.given:
        rows = [json.loads(x) for x in args.given.read_text(encoding="utf-8").splitlines()]
    else:
        rows = ran(args)
    failed = [row for row in rows if "failed" in row]
    for row in failed:
        print(said(row))
    if len(rows) == len(failed):
        return
    found = table(rows)
    if args.keep:
        about = {
            "short": "Short throws, each of another line, fitted on a coarse chain of 24 links",
            "whole": "Throws as `lashwave simulate` makes them, fitted as `reconstruct` does",
        }[args.set]
        notes = [
            f"{about}; three fits of each throw, from one sweep. Rounding errors: {ROUNDING:g} of "
            "each step, in the program's own way."
        ]
        states = list(dict.fromkeys(row["commit"] for row in rows))
        if len(states) > 1:
            notes.append(f"Run while the project went on, at {', '.join(states)}.")
        if failed:
            notes.append("Not fitted: " + ", ".join(str(row["seed"]) for row in failed) + ".")
        figures.save(
            f"same-minimum-{args.set}", f"The same minimum by two ways, {args.set} throws", found,
            notes,
            measured_at=(rows[0]["commit"], rows[0]["machine"]),
            typed=f"python benchmarks/same_minimum.py --set {args.set} --keep",
        )  # fmt: skip


if __name__ == "__main__":
    main()
