"""Where the truth ranks among the draws, over many small throws of the twin.

    python benchmarks/ranks.py --count 24 --workers 2 --keep

If draws mean what they say, the truth is as likely to hold any rank among them (Talts, Betancourt,
Simpson, Vehtari and Gelman, arXiv:1804.06788, 2018, from memory). Lines, hands, readings and noise
are drawn anew; the law's scales from twice the width of what the estimate takes for known, so that
it must not rest on that. Each finished throw is a row in --cache.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks")]

import figures  # noqa: E402
from figures import TWIN, Figure  # noqa: E402

from lashwave.quantities.arrays import Array  # noqa: E402

WIDER = 2.0
LAW_SD = {
    "drag_normal": 0.15, "drag_tangential": 0.7, "stiffness_scale": 0.17, "damping_time": 0.7
}  # fmt: skip
"""Logarithmic, of what the estimate takes for known; a stiffness is stated to 8 %, and 15 more."""
PLACES = 12
"""Places of a throw that are ranked; those of one throw are alike, so one of them is tested."""
BINS = 6


def throw(seed: int) -> tuple[Any, Any]:
    """A small throw whose law, hand and readings are drawn; trial and truth."""
    from lashwave.mechanics.law import Law
    from lashwave.quantities.trial import Air
    from lashwave.twin.bench import observe
    from lashwave.twin.hands import Stroke, Throw
    from lashwave.twin.lines import equip
    from lashwave.twin.throw_scene import ThrowScene
    from lashwave.twin.throws import chain_of, run
    from lashwave.twin.truth import of_trajectory
    from lashwave.twin.views import Wishes
    from tests.workbench import small_throw as small

    rng = np.random.default_rng([seed, 77])

    def about(size: float) -> float:
        return size * float(np.exp(0.15 * rng.standard_normal()))

    hand = Throw(
        angle=-0.6 + 0.1 * float(rng.standard_normal()),
        turn=(Stroke(0.01, 0.08, about(0.7)), Stroke(0.06, 0.09, -about(1.3))),
        forward=(Stroke(0.05, 0.1, about(0.15)),),
        up=(Stroke(0.02, 0.1, about(0.1)),),
        aside=(Stroke(0.05, 0.15, about(0.03)),),
        lean=(Stroke(0.05, 0.12, about(0.1)),),
        azimuth=0.1,
    )
    scale = {n: float(np.exp(WIDER * sd * rng.standard_normal())) for n, sd in LAW_SD.items()}
    law = Law.scaled(scale)
    plain = small.lash()
    read = equip(rng, plain.true, True)
    where = small.MARKERS + 1e-3 * rng.standard_normal(small.MARKERS.size)
    lash = replace(plain, stated=read.stated, station=where)
    scene = ThrowScene("swing", seed, lash, hand.grip(small.DURATION), None, law, Air(), 0.19)
    chain = chain_of(scene.lash)
    times = np.arange(0.0, small.DURATION + 1e-9, 2.5e-4)
    path = of_trajectory(run(scene, chain, times, 2e-5), chain.station)
    return observe(scene, path, Wishes())


def share_below(draws: Array, truth: float, rng: np.random.Generator) -> float:
    """Rank of the truth among draws (D,), spread within its own step, 0 to 1."""
    below = int((draws < truth).sum())
    return float((below + rng.uniform()) / (draws.size + 1))


def one(seed: int) -> dict[str, float]:
    """Ranks of one throw by quantity."""
    from lashwave.estimate import estimate
    from lashwave.quantities.motion import interpolate

    trial, truth = throw(seed)
    draws = estimate(trial).draws
    rng = np.random.default_rng([seed, 78])
    ranks = {
        name.split(":")[0]: share_below(values, truth.answers[name], rng)
        for name, values in draws.shared.items()
        if truth.answers.get(name) is not None and name != "drag_tuft"
    }
    tip = np.linalg.norm(draws.velocity[:, :, -1].astype(float), axis=-1).max(axis=1)
    ranks["peak tip speed"] = share_below(tip, truth.answers["peak_tip_speed"], rng)
    for i in range(PLACES):
        t = float(rng.uniform(draws.time[0], draws.time[-1]))
        j = int(rng.integers(np.searchsorted(draws.station, 0.15), draws.station.size))
        axis = int(rng.integers(3))
        true = truth.path.at(np.array([t]), draws.station[j : j + 1])[0][0, 0, axis]
        drawn = np.array(
            [
                interpolate(draws.time, x[:, j, axis], v[:, j, axis], np.array([t]))[0][0]
                for x, v in zip(
                    draws.position.astype(float), draws.velocity.astype(float), strict=True
                )
            ]
        )
        ranks[f"place {i}"] = share_below(drawn, float(true), rng)
    return ranks


def rows(args: argparse.Namespace) -> Iterator[dict[str, float]]:
    """All throws, those that are kept first."""
    args.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(args.first, args.first + args.count)
    kept = {seed: args.cache / f"ranks-{seed}.json" for seed in seeds}
    todo = [seed for seed in seeds if not kept[seed].exists()]
    with ProcessPoolExecutor(args.workers) as pool:
        for seed, found in zip(todo, pool.map(one, todo), strict=True):
            kept[seed].write_text(json.dumps(found), encoding="utf-8")
            print(f"throw {seed}", flush=True)
    for place in kept.values():
        yield json.loads(place.read_text(encoding="utf-8"))


def uniform(ranks: Array) -> float:
    """Probability of a histogram as uneven as this one or more, of even ranks (n,)."""
    counts = np.histogram(ranks, BINS, (0.0, 1.0))[0]
    return float(stats.chisquare(counts).pvalue)


def report(found: list[dict[str, float]]) -> list[Figure]:
    """Each quantity's histogram, how likely it is, and how many lie in the outer 5 %."""
    made = []
    for name in [n for n in found[0] if not n.startswith("place")] + ["place"]:
        if name == "place":
            every = np.array([[row[f"place {i}"] for i in range(PLACES)] for row in found])
            ranks, outer = every[:, 0], float(np.mean(np.abs(every - 0.5) > 0.475))
        else:
            ranks = np.array([row[name] for row in found])
            outer = float(np.mean(np.abs(ranks - 0.5) > 0.475))
        counts = np.histogram(ranks, BINS, (0.0, 1.0))[0]
        chance = uniform(ranks)
        print(f"{name:18s} {' '.join(f'{c:3d}' for c in counts)}  probability {chance:.3f}, "
              f"outside 95 %: {100 * outer:.1f} %")  # fmt: skip
        law = name in LAW_SD
        made.append(
            Figure(f"{name}: probability of its ranks' histogram if they are even", TWIN,
                   ranks.size, chance, goal="" if law else "0.001",
                   met=None if law else chance >= 1e-3,
                   holds=f"{100 * (1 - outer):.0f} % within 95 % of draws",
                   beside=f"histogram {' '.join(map(str, counts))}")
        )  # fmt: skip
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/ranks"))
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--note", action="append", default=[], help="a sentence to keep with them")
    args = parser.parse_args()
    made = report(list(rows(args)))
    if args.keep:
        figures.save("ranks", "Ranks of the truth among the draws, small throws", made, [
            "Scales of the law are drawn from twice the width of what the estimate takes for known,"
            " so their own ranks lie outside more often; it is asked that nothing else does.",
            *args.note,
        ], typed=f"python benchmarks/ranks.py --count {args.count} --keep")  # fmt: skip


if __name__ == "__main__":
    main()
