"""A campaign that is killed again and again, the same on a cluster, and what its throws share.

    python benchmarks/campaign.py --lines 2 --each 3 --kills 4
    python benchmarks/campaign.py --lines 10 --each 20 --kills 50 --workers 14 --cluster 60 --keep
    python benchmarks/campaign.py --lines 3 --each 4 --kills 0 --fine --keep

Trials are short throws of invented lines, each line with a law and marker places of its own that
all its throws share. Each throw is fitted on a coarse chain and written without its report, so that
kills can be had by the dozen; everything else is the program as a user has it. The campaign's
process is ended by SIGKILL at random moments, and all its children with it, as the system would.
The moments lie evenly at random over a span so long that about half of the throws end within it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from campaign_throws import compiled, fine, made, short


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--lines", type=int, default=2)
    parser.add_argument("--each", type=int, default=3, help="throws of each line")
    parser.add_argument("--kills", type=int, default=4)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cluster", type=int, default=0, help="throws done by a cluster as well")
    parser.add_argument("--until", type=float, default=1e9, help="kills end by then if possible")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/campaign"))
    parser.add_argument("--make", action="store_true", help="make the trials and no more")
    parser.add_argument("--fine", action="store_true", help="fit as `reconstruct` does, slowly")
    parser.add_argument("--go", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    return parser.parse_args()


def go(source: str, out: str, workers: str, work: Any = short) -> None:
    """Run the campaign in this process, until it ends or is killed; on a cluster by address."""
    from lashwave.workbench.campaign_command import carried_out
    from lashwave.workbench.campaign_run import How

    local = workers.isdigit()
    how = How(int(workers) if local else 2, None if local else workers, work=work)
    carried_out(Path(source), Path(out), how)


def begun(source: Path, out: Path, workers: str, finely: bool = False) -> subprocess.Popen[bytes]:
    """A campaign in a process of its own."""
    command = [sys.executable, __file__, "--go", str(source), str(out), workers]
    command += ["--fine"] if finely else []
    return subprocess.Popen(command)


def one_throw(source: Path, out: Path) -> float:
    """What a throw takes [s] from the start of its campaign: the moments of kills follow it."""
    from lashwave.files import campaign_place as at, read_campaign

    first = read_campaign(source)[0].folder
    table = source.parent / "first.csv"
    table.write_text(f"trial\n{source.name}/{first.name}\n")
    shutil.rmtree(out, ignore_errors=True)
    started = time.time()
    ended(begun(table, out, "1"))
    done = [line["time"] for line in at.read_log(out) if line["event"] == "done"]
    assert done, f"{first} cannot be done"
    return float(done[0] - started)


def ended(run: subprocess.Popen[bytes]) -> None:
    """Wait for a campaign that nobody kills; raises where its status is not 0."""
    if run.wait() != 0:
        raise SystemExit(f"a campaign that was left alone ended with status {run.returncode}")


def span(takes: float, throws: int, kills: int, workers: int) -> float:
    """Time [s] over which kills are spread, so that about half of the throws end within it.

    Of gaps between moments that lie evenly at random, a share exp(-takes / mean gap) lets a throw
    of each worker end, and half as many again follow it.
    """
    share = min(0.7, max(0.02, throws / (3.0 * kills * workers)))
    return kills * takes / math.log(1.0 / share)


def killed(source: Path, out: Path, args: argparse.Namespace, since: float) -> dict[str, Any]:
    """Kill a campaign at random moments, then let it end; what its folder says of that."""
    from lashwave.files import campaign_place as at

    takes = float("nan")
    if args.kills:
        shutil.rmtree(out, ignore_errors=True)  # what an earlier run had ended would count here
        takes = one_throw(source, out.with_name("first"))
    started, seen = time.monotonic(), {"kills": 0, "under_way": 0, "finished": 0, "looked_at": 0}
    over = span(takes, args.lines * args.each, args.kills, args.workers) if args.kills else 0.0
    over = min(over, max(since + args.until - started, 0.2 * over))
    moments = random.Random(16)
    for moment in sorted(moments.uniform(0.0, over) for _ in range(args.kills)):
        one, begun_at = begun(source, out, str(args.workers)), time.time()
        time.sleep(max(0.0, started + moment - time.monotonic()))
        if one.poll() is not None:
            break
        one.send_signal(signal.SIGKILL)
        one.wait()
        looked_at(out, begun_at, seen)
        print(f"{seen}, {time.monotonic() - since:.0f} s", flush=True)
        so_far = {**seen, "throw_takes": takes, "kills_over": over}
        (out.parent / "killed.json").write_text(json.dumps(so_far) + "\n")
    ended(begun(source, out, str(args.workers), args.fine))
    spent = round(time.monotonic() - started)
    return {
        **seen, **counted(at.read_log(out)), "seconds": spent,
        "throw_takes": round(takes, 1), "kills_over": round(over),
    }  # fmt: skip


def looked_at(out: Path, begun_at: float, seen: dict[str, int]) -> None:
    """Count a kill, and see that each throw is whole or not there at all."""
    from lashwave.files import campaign_place as at

    places = list((out / at.THROWS).glob("line*"))
    for place in places:
        mark = at.read_mark(place)
        assert mark is not None and mark.state in (at.DONE, at.FAILED), f"{place} is torn"
    log = [line for line in at.read_log(out) if line["time"] > begun_at]
    started = {line["trial"] for line in log if line["event"] == "started"}
    gone = {line["trial"] for line in log if line["event"] in (at.DONE, at.FAILED)}
    seen["kills"] += 1
    seen["under_way"] += bool(started - gone)
    seen["finished"] = len(places)
    seen["looked_at"] += len(places)


def counted(log: list[dict[str, Any]]) -> dict[str, int]:
    """Throws begun, begun again after they were done, and lost under way by a kill."""
    done, begun_at, repeated, cut = set(), {}, 0, 0
    for line in log:
        name = line.get("trial")
        if line["event"] == "started":
            repeated += name in done
            cut += name in begun_at
            begun_at[name] = line["time"]
        elif line["event"] in ("done", "failed"):
            done.add(name)
            begun_at.pop(name, None)
    starts = sum(line["event"] == "started" for line in log)
    return {"begun": starts, "repeated": repeated, "cut_under_way": cut}


def clustered(source: Path, out: Path, count: int) -> dict[str, Any]:
    """The first trials on a Dask cluster of two workers, one of which is killed twice."""
    from lashwave.files import campaign_place as at, read_campaign

    some = source.parent / "some.csv"
    rows = "\n".join(f"{source.name}/{one.folder.name}" for one in read_campaign(source)[:count])
    some.write_text(f"trial\n{rows}\n")
    # The workers must find what is done with a throw.
    path = os.pathsep.join((str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")))
    quiet: dict[str, Any] = {
        "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL,
        "env": os.environ | {"PYTHONPATH": path},
    }  # fmt: skip
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
    found = {"kills": kills, "seconds": round(time.monotonic() - started)}
    (out.parent / "cluster.json").write_text(json.dumps(found) + "\n")  # the other may be stopped
    return found


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


def shared(out: Path, truths: dict[str, dict[str, Any]], finely: bool = False) -> dict[str, Any]:
    """What throws learn from each other: log scores, widths of intervals, and the truth in them."""
    import numpy as np
    from scipy.stats import norm

    from lashwave.files import read_campaign
    from lashwave.study import learn
    from lashwave.workbench.campaign_run import Campaign, How

    run = Campaign(
        read_campaign(out.parent / "trials"), out, How(work=fine if finely else short), print
    )
    found = learn([t for t in run.standing() if t.state == "done"])
    if found is None:
        return {}
    gain = found.scores - found.scores[:, :1]

    def mean(values: Any) -> list[float]:
        good = values[np.isfinite(values)]
        return [float(good.mean()), float(good.std(ddof=1) / np.sqrt(good.size))]

    told: dict[str, Any] = {"by_another": mean(gain[:, 1]), "by_others": mean(gain[:, 2]),
                            "others_over_another": mean(gain[:, 2] - gain[:, 1]),
                            "throws": len(found.throws), "names": list(found.names)}  # fmt: skip
    alike = found.found.alike
    told["errors_alike"] = [alike.mean, alike.quantile(0.025), alike.quantile(0.975)]
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
        go(*args.go, work=fine if args.fine else short)
        return
    since, place = time.monotonic(), args.cache
    pairs = [(line, throw) for line in range(args.lines) for throw in range(args.each)]
    with ProcessPoolExecutor(args.workers, get_context("spawn")) as pool:
        lines, throws = zip(*pairs, strict=True)
        ready = pool.submit(compiled, place)
        truths = list(pool.map(partial(made, place), lines, throws))
        ready.result()
    names = [f"line{line:02d}-throw{throw:02d}" for line, throw in pairs]
    print(f"{len(names)} trials after {time.monotonic() - since:.0f} s", flush=True)
    if args.make:
        return
    result = carried_out(place, args, since)
    print(json.dumps(result), flush=True)
    result["shared"] = shared(place / "killed", dict(zip(names, truths, strict=True)), args.fine)
    (place / "result.json").write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))
    if args.keep and args.fine:
        keep_fine(result)
    elif args.keep:
        keep(result)


def carried_out(place: Path, args: argparse.Namespace, since: float) -> dict[str, Any]:
    """The campaign that is killed and the one on a cluster, at once; each is kept as it ends."""
    source, out = place / "trials", place / "killed"
    result: dict[str, Any] = {}

    def add(**more: Any) -> None:
        result.update(more)
        print(more, flush=True)
        (place / "result.json").write_text(json.dumps(result, indent=1) + "\n")

    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        cluster = (
            pool.submit(clustered, source, place / "cluster", args.cluster)
            if args.cluster else None
        )  # fmt: skip
        add(killed=killed(source, out, args, since))
        record = json.loads((out / "campaign.json").read_text())
        add(**{n: record[n] for n in ("throws", "done", "failed")})
        add(failures=[r["because"] for r in record["ranked"] if r["state"] == "failed"])
        if cluster is not None:
            found = cluster.result()
            add(cluster=found | {"same": same(out, place / "cluster")})
    return result


def keep(result: dict[str, Any]) -> None:
    """The figures for the docs."""
    import figures
    from figures import MACHINE, Figure

    kills, told = result["killed"], result["shared"]
    lost = result["throws"] - result["done"] - result["failed"]
    found = [
        Figure(f"throws lost by {kills['kills']} kills at random moments", MACHINE,
               result["throws"], None, lost, "0", lost == 0,
               f"{kills['under_way']} kills cut {kills['cut_under_way']} throws under way, "
               f"{kills['finished']} finished between kills"),
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
    found += learnt(told)
    figures.save("campaign", "A campaign that is killed, and what its throws share", found)


def keep_fine(result: dict[str, Any]) -> None:
    """What throws share where each is fitted as `reconstruct` does it."""
    import figures

    title = "What throws share, each fitted as by `reconstruct`"
    failed = result["failed"]
    notes = [f"{failed} of {result['throws']} throws failed."] if failed else []
    figures.save("campaign-fine", title, learnt(result["shared"]), notes)


def learnt(told: dict[str, Any]) -> list[Any]:
    """The figures of what `shared` gave."""
    from figures import TWIN, Figure

    found = []
    if told:
        for key, words in (
            ("by_another", "another throw's fit, over what was stated"),
            ("by_others", "all others, over what was stated"),
            ("others_over_another", "all others, over another throw's fit"),
        ):
            gain, sd = told[key]
            better = gain > 2.0 * sd if key == "others_over_another" else None
            found.append(
                Figure(f"log score of a held-out throw by {words} [1]", TWIN, told["throws"],
                       round(gain, 3), None, "" if better is None else "over 0", better,
                       f"standard error {sd:.2g}")
            )  # fmt: skip
        mean, low, high = told["errors_alike"]
        found.append(Figure("correlation of the errors of two fits of a line, learnt [1]", TWIN,
                            told["throws"], round(mean, 2),
                            holds=f"95 %: {low:.2f} to {high:.2f}"))  # fmt: skip
        for name in ("drag_normal", "station:G1", "station:M04"):
            *_, single, _, _, sd, joint, _ = told[name]
            found.append(Figure(f"{name}: truths within the joint 95 % interval [%]", TWIN,
                                told["throws"], round(100.0 * joint, 1),
                                holds=f"by single fits {100.0 * single:.1f} %",
                                beside=f"joint over single sd {sd / told[name][1]:.2f}")
                         )  # fmt: skip
    return found


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
