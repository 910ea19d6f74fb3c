"""How the time of an estimate grows with the record: one long swing, and its first quarter.

Run: python benchmarks/duration.py [--seed 3] [--seconds 4]

Both run on one thread in one process, the short one first to compile; goal: four times the
duration takes at most 4.6 times the time.
"""

from __future__ import annotations

import argparse
import resource
import time
from dataclasses import replace

import figures
import numpy as np
from figures import MACHINE, Figure

from lashwave.pipeline import reconstruct_trial
from lashwave.quantities.trial import Trial
from lashwave.twin.bench import observe, simulate_path
from lashwave.twin.hands import draw_swing_grip
from lashwave.twin.throws import draw_swing
from lashwave.twin.views import Wishes


def long_swing(seed: int, seconds: float) -> Trial:
    """A swing as the twin draws them, but of a stated duration; markers only."""
    grip = draw_swing_grip(np.random.default_rng([seed, 2, 1]), seconds)
    scene = replace(draw_swing(seed), grip=grip, duration=seconds)
    return observe(scene, simulate_path(scene), Wishes(camera=False))[0]


def first(trial: Trial, seconds: float) -> Trial:
    """The beginning of a trial."""
    markers = trial.markers
    kept = markers.time <= seconds + 1e-9
    return replace(
        trial,
        markers=replace(
            markers, time=markers.time[kept], position=markers.position[kept], sd=markers.sd[kept]
        ),
    )


def cost(trial: Trial) -> tuple[float, int]:
    """CPU seconds of an estimate, and its times."""
    begun = time.process_time()
    fit, _, _ = reconstruct_trial(trial)
    return time.process_time() - begun, fit.time.size


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=4.0, help="of the long record")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    trial = long_swing(args.seed, args.seconds)
    cost(first(trial, 0.2))  # compiles
    short, few = cost(first(trial, args.seconds / 4))
    whole, many = cost(trial)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{args.seconds / 4:g} s: {short:.1f} s of CPU, {few} times")
    print(f"{args.seconds:g} s: {whole:.1f} s of CPU, {many} times; memory {memory} MB")
    print(f"ratio {whole / short:.2f} (goal 4.6 at most)")
    if args.keep:
        figures.save("duration", "Cost of a longer record", [
            Figure("CPU time of four times the duration, ratio", MACHINE, 1, whole / short,
                   goal="4.6", met=whole / short <= 4.6),
            Figure(f"CPU time of {args.seconds:g} s [s]", MACHINE, 1, whole),
            Figure(f"memory of {args.seconds:g} s [MB]", MACHINE, 1, float(memory)),
        ])  # fmt: skip


if __name__ == "__main__":
    main()
