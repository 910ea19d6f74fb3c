"""All throws of `whole_way` at once, on a machine of many cores, within a stated time.

    python benchmarks/whole_many.py --workers 20 --within 540 --last 0.3 --results "$OUT"

Each step is a run of `whole_way` of its own: calibrations, the engine's throws and one small fit
that compiles the kernels first; then pictures, search and fits as soon as what they need is there.
What is not done in time is stopped and said; the same command goes on where it was. RESULTS gets
the records, the figures and the tables that were found.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tarfile
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from benchmarks import figures, whole_bench as bench, whole_way  # noqa: E402

WARM = """
import sys, warnings
from pathlib import Path
warnings.simplefilter("ignore")
from lashwave.files import write_trial
from lashwave.workbench.cli import main
from tests.workbench.small_throw import small_throw
folder = Path(sys.argv[1])
if (folder / "answers" / "summary.json").exists():
    sys.exit(0)
if not (folder / "trial" / "trial.toml").exists():
    (folder / "trial").mkdir(parents=True)
    write_trial(folder / "trial", small_throw()[0])
sys.exit(main(["reconstruct", str(folder / "trial"), "--out", str(folder / "answers"), "--quiet"]))
"""
"""A short throw's fit: so the kernels are compiled once and not by twenty processes at a time."""
WAYS = ("located", "perfect")
TABLES = (".csv", ".toml", ".json")


class Crew:
    """So many processes at a time, until the time is up."""

    def __init__(self, workers: int, within: float, logs: Path) -> None:
        self.free = threading.Semaphore(workers)
        self.until = time.monotonic() + within
        self.logs = logs
        logs.mkdir(parents=True, exist_ok=True)

    def run(self, name: str, words: list[str]) -> bool:
        """One process, its words kept as a log; whether it did its work."""
        with self.free:
            left = self.until - time.monotonic()
            if left <= 1.0:
                return False
            begun = time.monotonic()
            with open(self.logs / f"{name}.log", "a", encoding="utf-8") as log:
                try:
                    done = subprocess.run(
                        [sys.executable, *words], stdout=log, stderr=log, timeout=left, cwd=ROOT,
                        check=False,
                    ).returncode  # fmt: skip
                except subprocess.TimeoutExpired:
                    done = -1
            spent = time.monotonic() - begun
            print(f"{name}: status {done}, {spent:.0f} s, {left - spent:.0f} s left", flush=True)
            return done == 0


def steps(args: argparse.Namespace, crew: Crew) -> None:
    """Everything that can be done, in the order of what needs what."""
    common = ["--last", str(args.last), "--frames", str(args.frames), "--cache", str(args.cache)]
    way_of = str(ROOT / "benchmarks" / "whole_way.py")

    def step(seed: int, setup: str, *more: str) -> list[str]:
        return [way_of, "--throw", str(seed), "--setup", setup, *more, *common]

    first, throws, setups = args.throw[0], args.throw, args.setup
    with ThreadPoolExecutor(4 * len(throws) * len(setups) + 10) as pool:
        warm = pool.submit(crew.run, "warm", ["-W", "ignore", "-c", WARM, str(args.cache / "warm")])
        rigs = {
            s: pool.submit(crew.run, f"rig-{s}", step(first, s, "--stop", "calibrated"))
            for s in setups
        }
        known = {
            n: pool.submit(crew.run, f"engine-{n}", step(n, setups[0], "--stop", "known"))
            for n in throws
        }

        def after(needed: list[Future[bool]], name: str, words: list[str]) -> bool:
            return all([one.result() for one in needed]) and crew.run(name, words)

        for n in throws:
            for s in setups:
                ready = [rigs[s], known[n]]
                name = f"{n}-{s}"
                sighted = pool.submit(after, ready, name, step(n, s, "--stop", "sighted"))
                for way in WAYS:
                    needed = [warm, sighted if way == "located" else known[n], rigs[s]]
                    pool.submit(after, needed, f"{name}-{way}", step(n, s, "--way", way))


def collected(seed: int, setup: str, cache: Path) -> dict[str, Any]:
    """What a throw's steps have kept, as far as they came."""
    folder = cache / f"{seed}-{setup}"
    record: dict[str, Any] = {"seed": seed, "setup": setup}
    places = {"calibrated": cache / f"rig-{setup}" / "calibrated.json"}
    places |= {name: folder / f"{name}.json" for name in ("truth", "sighted", "seen", *WAYS)}
    for name, place in places.items():
        if place.exists():
            record[name] = json.loads(place.read_text(encoding="utf-8"))
    for way in WAYS:
        scores = folder / f"{way}-scores.json"
        if way in record:
            kept = json.loads(scores.read_text(encoding="utf-8")) if scores.exists() else {}
            record[way]["scores"] = kept
    return record


def packed(records: list[dict[str, Any]], cache: Path, results: Path) -> None:
    """Records, figures and tables, in a handful of files."""
    results.mkdir(parents=True, exist_ok=True)
    bench.write_json(results / "records.json", {"records": records})
    with tarfile.open(results / "whole.tar.gz", "w:gz") as tar:
        for one in records:
            folder = cache / f"{one['seed']}-{one['setup']}"
            for place in sorted(folder.glob("located/*")) + sorted(folder.glob("*-answers/*")):
                if place.suffix in TABLES:
                    tar.add(place, str(place.relative_to(cache)))
        for log in sorted((cache / "logs").glob("*.log")):
            tar.add(log, str(log.relative_to(cache)))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--throw", type=int, action="append", help="this seed alone")
    parser.add_argument("--setup", choices=tuple(bench.SETUPS), action="append")
    parser.add_argument("--workers", type=int, default=20)
    parser.add_argument("--within", type=float, default=540.0, help="time for all [s]")
    parser.add_argument("--last", type=float, default=0.3, help="as of whole_way")
    parser.add_argument("--frames", type=int, default=120, help="as of whole_way")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/whole"))
    parser.add_argument("--results", type=Path, help="folder for records, figures and tables")
    parser.add_argument("--from", dest="given", type=Path, help="records of an earlier run")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--note", action="append", default=[], help="a sentence to keep with them")
    args = parser.parse_args()
    args.throw, args.setup = args.throw or list(whole_way.THROWS), args.setup or list(bench.SETUPS)
    args.cache.mkdir(parents=True, exist_ok=True)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    given = os.environ.get("PYTHONPATH", "")
    own = [str(ROOT / "src"), str(ROOT), str(ROOT / "benchmarks")]
    os.environ["PYTHONPATH"] = os.pathsep.join([*filter(None, [given]), *own])
    at = (figures.commit(), figures.machine())
    if args.given:
        kept = json.loads(args.given.read_text(encoding="utf-8"))
        records, at = kept["records"], tuple(kept.get("at", at))
    else:
        steps(args, Crew(args.workers, args.within, args.cache / "logs"))
        records = [collected(n, s, args.cache) for n in args.throw for s in args.setup]
    for record in records:
        print(f"throw {record['seed']}, set-up {record['setup']}")
        whole_way.shown(record)
    rows = whole_way.kept(records)
    for row in rows:
        print(f"{row.what}: {row.median} ({row.worst}), n {row.count}, goal {row.goal}, "
              f"met {row.met} {row.holds}")  # fmt: skip
    if args.results:
        packed(records, args.cache, args.results)
        bench.write_json(args.results / "records.json", {"at": list(at), "records": records})
    if args.keep:
        figures.save(
            "whole_way", "From pictures and sound, second renderer", rows, args.note,
            measured_at=at, typed="python benchmarks/whole_many.py --keep",
        )  # fmt: skip


if __name__ == "__main__":
    main()
