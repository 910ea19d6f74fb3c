"""Recovery of the law's scales on twin throws: errors, and how many intervals hold the truth.

    python benchmarks/parameters.py --first 40 --count 40
    python benchmarks/parameters.py --first 40 --count 40 --report

The twin draws each throw's law: drag, stiffness and damping unlike what is stated. With --engine
the truth is the independent engine's, whose laws are its own: only its stiffness has a true scale.
Of each seed
the fit and the likelihood are kept in --cache, so that a stopped run goes on where it was; the
figures are made from what is kept, with the chain's own error as it is in the program now.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import figures
import numpy as np
from figures import ENGINE, TWIN, Figure
from score import band

from lashwave import twin
from lashwave.files import keep_arrays, kept_arrays
from lashwave.quantities.errors import LashwaveError
from lashwave.twin.truth import law_answers
from lashwave.twin.views import Wishes


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=40, help="first seed")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--kind", choices=("throw", "wide", "swing"), default="throw")
    parser.add_argument("--engine", action="store_true", help="truth of the independent engine")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/parameters"))
    parser.add_argument("--figure", type=Path, help="draw estimates against truths here (SVG)")
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    return parser.parse_args()


def made(kind: str, seed: int, engine: bool, cache: Path) -> tuple[Any, dict[str, float | None]]:
    """A trial and its true scales."""
    if not engine:
        trial, truth = twin.make(seed, kind)
        return trial, truth.answers
    from blind import make_blind

    trial, truth = make_blind(seed, kind, Wishes(), True, cache)
    scale = law_answers(truth.scene)["stiffness_scale"]
    assert scale is not None, "the scene states a stiffness"
    return trial, {"stiffness_scale": scale / truth.scene.law.stiffness_scale}


def one(kind: str, seed: int, engine: bool, cache: Path) -> dict[str, Any]:
    """A seed's truth and prior; its likelihood is kept beside. A failure is a record too."""
    from threadpoolctl import threadpool_limits

    from lashwave.study.scales import known_of, likelihood_of

    stem = stem_of(kind, seed, engine)
    trial, truth = made(kind, seed, engine, cache)
    begun = time.process_time()
    try:
        with threadpool_limits(limits=1, user_api="blas"):
            cross = likelihood_of(
                trial,
                lambda what: kept_arrays(cache / f"{stem}-{what}.npz"),
                lambda what, arrays: keep_arrays(cache / f"{stem}-{what}.npz", arrays),
                lambda share: None,
            )
    except LashwaveError as problem:
        return {"seed": seed, "failed": f"{type(problem).__name__}: {problem}"}
    known = known_of(trial)
    return {
        "seed": seed,
        "cpu_s": round(time.process_time() - begun, 1),
        "names": list(cross.names),
        "mean": known.mean.tolist(),
        "sd": known.sd.tolist(),
        "truth": [truth.get(name) for name in cross.names],
    }


def stem_of(kind: str, seed: int, engine: bool) -> str:
    """Name of a seed's files."""
    return f"{'blind-' if engine else ''}{kind}-{seed:03d}"


def estimate_of(record: dict[str, Any], stem: str, cache: Path) -> dict[str, dict[str, float]]:
    """By scale, logarithmic: truth, estimate, its deviation and interval, prior's deviation."""
    from lashwave.study.likelihood import Cross
    from lashwave.study.parameters import Known, estimated
    from lashwave.study.scales import MODEL_SD, SCATTER

    arrays = kept_arrays(cache / f"{stem}-cross.npz")
    assert arrays is not None, f"{stem} has a record but no likelihood"
    names = tuple(record["names"])
    cross = Cross(
        names, arrays["centre"], arrays["information"], tuple(arrays["shift"]),
        tuple(arrays["value"]),
    )  # fmt: skip
    known = Known(
        np.array(record["mean"]),
        np.array(record["sd"]),
        np.array([MODEL_SD[name] for name in names]),
        np.array([SCATTER.get(name, 0.0) for name in names]),
    )
    found = estimated((cross,), known)
    sd = np.sqrt(np.diag(found.covariance))
    return {
        name: {
            "truth": float(np.log(record["truth"][i])),
            "value": float(found.mean[i]),
            "sd": float(sd[i]),
            "low": float(found.low95[i]),
            "high": float(found.high95[i]),
            "prior": float(known.sd[i]),
        }
        for i, name in enumerate(names)
        if record["truth"][i]
    }


def report(rows: dict[str, list[dict[str, float]]]) -> None:
    """Errors and counts, for people."""
    print("logarithmic scales: truths' own spread, errors RMS (worst), median sd, of prior; inside")
    for name, found in rows.items():
        error = np.array([r["value"] - r["truth"] for r in found])
        spread = np.array([r["truth"] for r in found])
        inside = sum(r["low"] <= r["truth"] <= r["high"] for r in found)
        low, high = band(len(found))
        verdict = "" if low <= inside <= high else "  OUTSIDE"
        print(
            f"  {name:16s} {spread.std():.3f}  {np.sqrt((error**2).mean()):.3f} "
            f"({np.abs(error).max():.3f})  {np.median([r['sd'] for r in found]):.3f} of "
            f"{np.median([r['prior'] for r in found]):.3f}; {inside:3d} of {len(found):3d} "
            f"[{low}, {high}]{verdict}"
        )


def draw(rows: dict[str, list[dict[str, float]]], path: Path) -> None:
    """Estimates with 95 % intervals against truths, as ratios, a panel a scale."""
    from lashwave.report import export, style

    def picture() -> Any:
        figure = style.canvas(2.3 * -(-len(rows) // 3))
        panels = figure.subplots(-(-len(rows) // 3), 3, squeeze=False).ravel()
        for axes in panels[len(rows) :]:
            axes.set_axis_off()
        for axes, (name, found) in zip(panels, rows.items(), strict=False):
            truth, value, low, high = (
                np.exp([r[key] for r in found]) for key in ("truth", "value", "low", "high")
            )
            ends = [min(truth.min(), low.min()), max(truth.max(), high.max())]
            axes.plot(ends, ends, color=style.FAINT, linewidth=0.9)
            axes.errorbar(truth, value, yerr=[value - low, high - value], fmt="o", markersize=2.5,
                          color=style.BLUE, elinewidth=0.7)  # fmt: skip
            axes.set_title(name)
            axes.set_xlabel("truth over stated")
        panels[0].set_ylabel("fitted over stated")
        return figure

    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(export.figure_file(style.in_style(picture)(), "svg"))


def main() -> None:
    args = arguments()
    args.cache.mkdir(parents=True, exist_ok=True)
    rows: dict[str, list[dict[str, float]]] = {}
    failed, seconds = [], []
    for seed in range(args.first, args.first + args.count):
        stem = stem_of(args.kind, seed, args.engine)
        kept_at = args.cache / f"{stem}.json"
        if not kept_at.exists():
            if args.report:
                continue
            record = one(args.kind, seed, args.engine, args.cache)
            kept_at.write_text(json.dumps(record) + "\n", encoding="utf-8")
            print(f"seed {seed}: {record.get('failed', record.get('cpu_s'))}", flush=True)
        record = json.loads(kept_at.read_text(encoding="utf-8"))
        if "failed" in record:
            failed.append(f"seed {seed}: {record['failed']}")
            continue
        seconds.append(record["cpu_s"])
        for name, row in estimate_of(record, stem, args.cache).items():
            rows.setdefault(name, []).append(row)
    print(f"{args.kind}: {len(seconds)} trials, {len(failed)} failed", *failed, sep="\n  ")
    if rows:
        report(rows)
    if args.figure and rows:
        draw(rows, args.figure)
    if args.keep and rows:
        name = "parameters-" + ("engine-" if args.engine else "") + args.kind
        truth = ENGINE if args.engine else TWIN
        figures.save(name, f"Scales of the law: {args.kind}", kept_figures(rows, truth))


def kept_figures(rows: dict[str, list[dict[str, float]]], truth: str) -> list[Figure]:
    """Errors of the logarithms beside the spread of the truths, for the docs."""
    kept = []
    for name, found in rows.items():
        off = np.abs([r["value"] - r["truth"] for r in found])
        true = np.array([r["truth"] for r in found])
        inside = sum(r["low"] <= r["truth"] <= r["high"] for r in found)
        low, high = band(len(found))
        spread = float(np.sqrt((true**2).mean()))
        kept.append(
            Figure(f"{name}, logarithm", truth, len(found), float(np.median(off)),
                   float(off.max()), holds=f"{inside} of {len(found)} [{low}, {high}]",
                   spread=spread)
        )  # fmt: skip
    return kept


if __name__ == "__main__":
    main()
