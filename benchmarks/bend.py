"""Where the bend stands, and how well the fold's laws hold, on finer and finer grids.

    python benchmarks/bend.py --seed 7            # simulates one throw four times; some minutes
    python benchmarks/bend.py --seed 7 --write    # and writes the table into docs/answers.md

The throw is simulated with about N, 1.5 N, 2 N and 3 N links, and the motion with most links is cut
to a half and a quarter of its stations and a third of its times, as coarse as an estimate's. Times
are against the peak of the tip's speed in each motion.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from lashwave.answers import amplify, bend, fold
from lashwave.mechanics.chain import Chain
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws
from lashwave.twin.bench import DRAWS, RTOL
from lashwave.twin.throws import FINE, Spacing, chain_of, run
from lashwave.twin.truth import output_times

MOMENTS = (-40e-3, -20e-3, -10e-3, -5e-3, -2e-3, -1e-3, -0.5e-3)
FINER = (1.0, 1.5, 2.0, 3.0)
FIRST, LAST = "<!-- bend -->", "<!-- end of bend -->"
PAGE = Path(__file__).parents[1] / "docs" / "answers.md"


def as_draws(time: Array, station: Array, position: Array, velocity: Array) -> Draws:
    """One motion (K, S, 3) as a single draw without forces."""
    none = np.zeros((1, time.size))
    return Draws(
        time, station, position[None], velocity[None], np.ones((1, time.size, station.size)),
        np.zeros((1, time.size, 3)), none, none, {},
    )  # fmt: skip


def row(name: str, draws: Draws, chain: Chain, grip: float) -> str:
    """A line of the table: stations of the bend [mm] at `MOMENTS`, exponent, ratio."""
    tip = np.linalg.norm(draws.velocity[0, :, -1], axis=-1)
    peak = float(draws.time[int(tip.argmax())])
    found = bend.bends_of(draws, grip)
    stations = np.interp(np.array(MOMENTS) + peak, draws.time, found.station[0])
    one = fold.runs(draws, np.array([0]), found, grip, np.array([peak]))[0]
    law = amplify.exponent(one, chain), amplify.speed_ratio(one)
    cells = [f"{1e3 * s:.0f}" for s in stations] + [f"{v:.2f}" for v in law]
    return f"| {name} | " + " | ".join(cells) + " |"


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--seed", type=int, default=7)
    asked.add_argument("--write", action="store_true")
    args = asked.parse_args()
    scene = DRAWS["throw"](args.seed, True)
    grip = scene.lash.true.handle_length
    quick = run(scene, chain_of(scene.lash), np.arange(0.0, scene.duration, 2e-4), RTOL)
    peak = float(quick.time[np.linalg.norm(quick.velocity[:, -1], axis=-1).argmax()])
    times = output_times(scene.duration, peak)
    heads = [f"{1e3 * t:g} ms" for t in MOMENTS]
    lines = [
        "| links | " + " | ".join(heads) + " | exponent | ratio |",
        "|---" * (len(MOMENTS) + 3) + "|",
    ]
    for finer in FINER:
        chain = chain_of(scene.lash, Spacing(2 * FINE.butt / finer, 2 * FINE.tip / finer))
        made = run(scene, chain, times, RTOL)
        motion = made.time, chain.station, made.position, made.velocity
        lines.append(row(str(chain.station.size - 1), as_draws(*motion), chain, grip))
        print(lines[-1], flush=True)
    for every in (2, 4):
        kept = np.unique(np.r_[0 : chain.station.size : every, chain.station.size - 1])
        cut = as_draws(
            times[::3],
            chain.station[kept],
            made.position[::3][:, kept],
            made.velocity[::3][:, kept],
        )
        lines.append(row(f"the last, {kept.size - 1} kept", cut, chain, grip))
        print(lines[-1], flush=True)
    if args.write:
        page = PAGE.read_text(encoding="utf-8")
        before, rest = page.split(FIRST)
        said = f"Station of the bend [mm] before the tip's peak, twin seed {args.seed}:"
        body = "\n".join(["", said, "", *lines, ""])
        PAGE.write_text(f"{before}{FIRST}{body}{LAST}{rest.split(LAST)[1]}", encoding="utf-8")


if __name__ == "__main__":
    main()
