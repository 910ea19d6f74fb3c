"""A campaign that is killed again and again, the same on a cluster, and what its throws share.

    python benchmarks/campaign.py --lines 2 --each 3 --kills 4
    python benchmarks/campaign.py --lines 10 --each 20 --kills 50 --workers 12 --cluster 24 --keep

Trials are short throws of invented lines, each line with a law and marker places of its own that
all its throws share. Each throw is fitted on a coarse chain and written without its report, so that
kills can be had by the dozen; everything else is the program as a user has it. The campaign's
process is ended by SIGKILL at random moments, and all its children with it, as the system would.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

MARKERS = (0.02, 0.1, 0.24, 0.38, 0.51, 0.63)
LENGTH, GRIP, DURATION = 0.7, 0.12, 0.3
LINKS, DRAWS = 24, 100


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--lines", type=int, default=2)
    parser.add_argument("--each", type=int, default=3, help="throws of each line")
    parser.add_argument("--kills", type=int, default=4)
    parser.add_argument("--pause", type=float, default=1.5,
                        help="longest time to a kill, over that of a throw")  # fmt: skip
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cluster", type=int, default=0, help="throws done by a cluster as well")
    parser.add_argument("--until", type=float, default=1e9, help="no kill after so long [s]")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/campaign"))
    parser.add_argument("--make", action="store_true", help="make the trials and no more")
    parser.add_argument("--go", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    return parser.parse_args()


def lash_of(line: int) -> Any:
    """A line of its own: table, markers, and how far both are from what is stated."""
    import numpy as np

    from lashwave.quantities import Line
    from lashwave.twin.throw_scene import Lash

    rng = np.random.default_rng([16, line])
    station = np.linspace(0.0, LENGTH, 10)
    x = station / LENGTH
    heavy = float(np.exp(rng.normal(0.0, 0.1)))
    true = {
        "diameter": 6e-3 - 3.5e-3 * x,
        "linear_density": heavy * (0.025 - 0.021 * x),
        "bending_stiffness": 4e-4 * (1.0 - 0.9 * x) ** 2,
    }
    sd = {"diameter": 0.02, "linear_density": 0.01, "bending_stiffness": 0.08}
    read = {n: c * (1.0 + sd[n] * rng.standard_normal(10)) for n, c in true.items()}
    stated = Line(station, **read, column_sd={n: sd[n] * read[n] for n in read}, handle_length=GRIP)
    places = np.array(MARKERS)
    seen = places + 2e-3 * rng.standard_normal(places.size)
    line_true = Line(station, **true, handle_length=GRIP)
    return Lash(line_true, stated, seen, places, 2e-3, 1e-4, 4e-3)


def law_of(line: int) -> Any:
    """What the line's law is, over what is stated."""
    import numpy as np

    from lashwave.mechanics import Law

    drag, along, stiff, damped = np.random.default_rng([17, line]).standard_normal(4)
    return Law(np.exp(0.12 * drag), np.exp(0.3 * along), 1.0, np.exp(0.1 * stiff),
               2e-3 * np.exp(0.4 * damped))  # fmt: skip


def made(place: Path, line: int, throw: int) -> dict[str, Any]:
    """One trial folder; what is true of it."""
    import numpy as np

    from lashwave.files import write_trial
    from lashwave.quantities import Air
    from lashwave.twin.bench import observe
    from lashwave.twin.hands import Stroke, Throw
    from lashwave.twin.throw_scene import ThrowScene
    from lashwave.twin.throws import chain_of, run
    from lashwave.twin.truth import of_trajectory
    from lashwave.twin.views import Wishes

    name = f"line{line:02d}-throw{throw:02d}"
    kept = place / "truth" / f"{name}.json"
    if kept.exists():
        return dict(json.loads(kept.read_text()))
    rng = np.random.default_rng([18, line, throw])
    a = np.exp(0.08 * rng.standard_normal(6))
    hand = Throw(
        angle=-0.6,
        turn=(Stroke(0.01, 0.11, 0.7 * a[0]), Stroke(0.09, 0.12, -1.3 * a[1])),
        forward=(Stroke(0.07, 0.14, 0.15 * a[2]),),
        up=(Stroke(0.03, 0.14, 0.1 * a[3]),),
        aside=(Stroke(0.07, 0.2, 0.03 * a[4]),),
        lean=(Stroke(0.07, 0.17, 0.1 * a[5]),),
        azimuth=0.1,
    )
    lash, law = lash_of(line), law_of(line)
    scene = ThrowScene("swing", 1000 * line + throw, lash, hand.grip(DURATION), None, law, Air(),
                       DURATION)  # fmt: skip
    chain = chain_of(lash)
    path = of_trajectory(
        run(scene, chain, np.arange(0.0, DURATION + 1e-9, 2.5e-4), 2e-5), chain.station
    )
    trial, truth = observe(scene, path, Wishes())
    trial = replace(trial, name=name, specimen=f"line {line}", thrower=f"arm {throw % 4}")
    shutil.rmtree(place / "trials" / name, ignore_errors=True)  # of a run that was stopped
    write_trial(place / "trials" / name, trial)
    stated = trial.markers.station
    places = {
        f"station:{label}": float(lash.station[at] - s)
        for label, s in zip(trial.markers.labels, stated, strict=True)
        if np.isfinite(s) and (gap := np.abs(lash.stated_station - s)).min() < 1e-4
        for at in [int(gap.argmin())]
    }
    found = {**{n: v for n, v in truth.answers.items() if v is not None}, **places}
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text(json.dumps(found))
    return found


def short(folder: Path, out: Path, known: Any = ()) -> dict[str, Any]:
    """A throw reconstructed on a coarse chain and written without its report."""
    from dataclasses import asdict

    from lashwave.estimate import Options
    from lashwave.files import write_results
    from lashwave.pipeline import read_usable, reconstruct_trial
    from lashwave.pipeline.reconstruct import Reconstruction
    from lashwave.pipeline.throw_facts import facts_of

    options = Options(
        most_links=LINKS, draws=DRAWS, longest_step=3e-3, turn=0.4, sweep_turn=0.6, known=known
    )
    trial = read_usable(folder)
    fit, answers, lists = reconstruct_trial(trial, None, options)
    page = {"report.html": b"<!doctype html><title>no report</title>"}
    write_results(out, fit, answers, lists, page, trial, asdict(options))
    return facts_of(Reconstruction(trial, fit, answers, lists))


def go(source: str, out: str, workers: str) -> None:
    """Run the campaign in this process, until it ends or is killed; on a cluster by address."""
    from benchmarks import campaign as me
    from lashwave.workbench.campaign_command import carried_out
    from lashwave.workbench.campaign_run import How

    local = workers.isdigit()
    how = How(int(workers) if local else 2, None if local else workers, work=me.short)
    carried_out(Path(source), Path(out), how)


def begun(source: Path, out: Path, workers: str) -> subprocess.Popen[bytes]:
    """A campaign in a process of its own."""
    command = [sys.executable, __file__, "--go", str(source), str(out), workers]
    return subprocess.Popen(command)


def one_throw(source: Path, out: Path) -> float:
    """What a throw takes [s], with the start of its process: by that the moments of kills go."""
    from lashwave.files import campaign_place as at, read_campaign

    first = read_campaign(source)[0].folder
    table = source.parent / "first.csv"
    table.write_text(f"trial\n{source.name}/{first.name}\n")
    for _ in range(2):  # the first may compile
        shutil.rmtree(out, ignore_errors=True)
        started = time.monotonic()
        ended(begun(table, out, "1"))
        spent = time.monotonic() - started
    assert any(line["event"] == "done" for line in at.read_log(out)), f"{first} cannot be done"
    return spent


def ended(run: subprocess.Popen[bytes]) -> None:
    """Wait for a campaign that nobody kills; raises where its status is not 0."""
    if run.wait() != 0:
        raise SystemExit(f"a campaign that was left alone ended with status {run.returncode}")


def killed(source: Path, out: Path, args: argparse.Namespace, since: float) -> dict[str, Any]:
    """Kill a campaign at random moments, then let it end; what its folder says of that."""
    from lashwave.files import campaign_place as at

    takes = one_throw(source, out.with_name("first"))
    moments, kills, whole, started = random.Random(16), 0, 0, time.monotonic()
    while kills < args.kills and time.monotonic() - since < args.until:
        one = begun(source, out, str(args.workers))
        time.sleep(moments.uniform(0.05, args.pause) * takes)
        if one.poll() is not None:
            break
        one.send_signal(signal.SIGKILL)
        one.wait()
        kills += 1
        for place in (out / at.THROWS).glob("line*"):
            mark = at.read_mark(place)
            assert mark is not None and mark.state in (at.DONE, at.FAILED), f"{place} is torn"
            whole += 1
    finished = len(list((out / at.THROWS).glob("line*")))
    ended(begun(source, out, str(args.workers)))
    log = at.read_log(out)
    done, repeated = set(), 0
    for line in log:
        if line["event"] == "done":
            done.add(line["trial"])
        repeated += line["event"] == "started" and line["trial"] in done
    spent = time.monotonic() - started
    return {
        "kills": kills, "repeated": repeated, "seconds": round(spent),
        "throw_takes": round(takes, 1), "finished_between_kills": finished,
        "begun": sum(line["event"] == "started" for line in log), "looked_at": whole,
    }  # fmt: skip


def clustered(source: Path, out: Path, count: int) -> dict[str, Any]:
    """The first trials on a Dask cluster of two workers, one of which is killed twice."""
    from lashwave.files import campaign_place as at, read_campaign

    some = source.parent / "some.csv"
    rows = "\n".join(f"{source.name}/{one.folder.name}" for one in read_campaign(source)[:count])
    some.write_text(f"trial\n{rows}\n")
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    address = "tcp://127.0.0.1:18786"
    scheduler = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", "18786",
         "--no-dashboard"], **quiet,
    )  # fmt: skip

    def worker() -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1",
             "--no-nanny", "--no-dashboard", "--memory-limit", "0"], **quiet,
        )  # fmt: skip

    time.sleep(4.0)
    workers, kills, started = [worker(), worker()], 0, time.monotonic()
    try:
        run = begun(some, out, address)
        ends = lambda: sum(r["event"] == "done" for r in at.read_log(out))  # noqa: E731
        while run.poll() is None:
            if kills < 2 and ends() > kills * count // 3:
                time.sleep(1.5)
                workers[0].send_signal(signal.SIGKILL)
                workers[0].wait()
                workers[0], kills = worker(), kills + 1
            time.sleep(0.5)
        ended(run)
    finally:
        for one in (*workers, scheduler):
            one.kill()
    return {"kills": kills, "seconds": round(time.monotonic() - started)}


def same(one: Path, other: Path) -> tuple[int, bool]:
    """Throws that two campaigns have in common, and whether their rows agree to the last digit."""
    import pandas as pd

    from lashwave.files import read_campaign_table

    a, b = (read_campaign_table(p) for p in (one, other))
    a["trial"] = a["trial"].str.replace("trials-", "")
    b["trial"] = b["trial"].str.replace("trials-", "")
    # Doubt is told from the other throws of a campaign too.
    a, b = (t.drop(columns=["concern", "concern_because"]).set_index("trial") for t in (a, b))
    both = [name for name in a.index if name in b.index]
    try:
        pd.testing.assert_frame_equal(a.loc[both], b.loc[both], check_exact=True)
    except AssertionError as problem:
        print(problem)
        return len(both), False
    return len(both), True


def shared(out: Path, truths: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """What throws learn from each other: log scores, widths of intervals, and the truth in them."""
    import numpy as np
    from scipy.stats import norm

    from lashwave.files import read_campaign
    from lashwave.study import learn
    from lashwave.workbench.campaign_run import Campaign, How

    run = Campaign(read_campaign(out.parent / "trials"), out, How(work=short), print)
    found = learn([t for t in run.standing() if t.state == "done"])
    if found is None:
        return {}
    gain = found.scores - found.scores[:, :1]

    def mean(values: Any) -> list[float]:
        good = values[np.isfinite(values)]
        return [float(good.mean()), float(good.std(ddof=1) / np.sqrt(good.size))]

    told: dict[str, Any] = {"by_another": mean(gain[:, 1]), "by_others": mean(gain[:, 2]),
                            "throws": len(found.throws), "names": list(found.names)}  # fmt: skip
    for j, name in enumerate(found.names):
        rows = []
        for i, throw in enumerate(found.throws):
            true = truths[throw.trial].get(name)
            if true is None or (not name.startswith("station:") and true <= 0):
                continue
            at = true if name.startswith("station:") else np.log(true)
            row = []
            for belief in (found.singles[i], found.found.throws[i]):
                sd = float(np.hypot(np.sqrt(belief.covariance[j, j]), found.model_sd[j]))
                off = float(abs(at - belief.mean[j]))
                row += [float(norm.logpdf(at, belief.mean[j], sd)), sd, off <= 1.96 * sd, off]
            rows.append(row)
        if rows:
            told[name] = np.mean(rows, axis=0).round(4).tolist()
    return told


def main() -> None:
    args = arguments()
    if args.go:
        go(*args.go)
        return
    since, place = time.monotonic(), args.cache
    pairs = [(line, throw) for line in range(args.lines) for throw in range(args.each)]
    with ProcessPoolExecutor(args.workers, get_context("spawn")) as pool:
        lines, throws = zip(*pairs, strict=True)
        truths = list(pool.map(partial(made, place), lines, throws))
    names = [f"line{line:02d}-throw{throw:02d}" for line, throw in pairs]
    print(f"{len(names)} trials after {time.monotonic() - since:.0f} s", flush=True)
    if args.make:
        return
    source, out = place / "trials", place / "killed"
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        cluster = (
            pool.submit(clustered, source, place / "cluster", args.cluster)
            if args.cluster else None
        )  # fmt: skip
        result: dict[str, Any] = {"killed": killed(source, out, args, since)}
        print(result, flush=True)
        if cluster is not None:
            result["cluster"] = cluster.result()
            result["cluster"]["same"] = same(out, place / "cluster")
    record = json.loads((out / "campaign.json").read_text())
    result |= {n: record[n] for n in ("throws", "done", "failed")}
    result["failures"] = [r["because"] for r in record["ranked"] if r["state"] == "failed"]
    print(json.dumps(result), flush=True)
    result["shared"] = shared(out, dict(zip(names, truths, strict=True)))
    (place / "result.json").write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))
    if args.keep:
        keep(result)


def keep(result: dict[str, Any]) -> None:
    """The figures for the docs."""
    import figures
    from figures import MACHINE, TWIN, Figure

    kills, told = result["killed"], result["shared"]
    lost = result["throws"] - result["done"] - result["failed"]
    found = [
        Figure(f"throws lost by {kills['kills']} kills at random moments", MACHINE,
               result["throws"], None, lost, "0", lost == 0),
        Figure("throws begun again after they were done", MACHINE, result["throws"], None,
               kills["repeated"], "0", kills["repeated"] == 0),
    ]  # fmt: skip
    if "cluster" in result:
        count, agree = result["cluster"]["same"]
        found.append(
            Figure("throws whose row of the table differs on a Dask cluster of 2 workers, one "
                   f"killed {result['cluster']['kills']} times", MACHINE, count, None,
                   0 if agree else count, "0", agree)
        )  # fmt: skip
    if told:
        for key, words in (("by_another", "another throw's fit"), ("by_others", "all others")):
            gain, sd = told[key]
            found.append(
                Figure(f"log score of a held-out throw by {words}, over the stated", TWIN,
                       told["throws"], round(gain, 3), holds=f"standard error {sd:.2g}")
            )  # fmt: skip
    figures.save("campaign", "A campaign that is killed, and what its throws share", found)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
