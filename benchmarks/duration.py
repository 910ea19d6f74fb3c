"""How time and memory grow with the record: one long swing, reconstructed from folder to files.

Run: python benchmarks/duration.py [--seed 3] [--seconds 1 2 4 8] [--coarse] [--window 1] [--keep]

Each length is a run of `lashwave reconstruct` in a process of its own, its first part repeated once
before to compile; goal: 60 s in at most 60 times the time of 1 s and in 2 GB, so the time of a
second must not grow, nor memory but by what the record's own arrays take. `--coarse` takes a chain
of half the links, for a busy machine. `--equations` leaves out the search, report and files: one
step of the whole record's equations, draws and answers of all pieces, from a motion by splines.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import figures
import numpy as np
from figures import MACHINE, Figure

from lashwave.estimate import Options
from lashwave.quantities.trial import Trial
from lashwave.twin.bench import observe, simulate_path
from lashwave.twin.hands import draw_swing_grip
from lashwave.twin.throws import draw_swing
from lashwave.twin.views import Wishes

COARSE = Options(spacing_butt=0.12, spacing_tip=0.04)
LONGEST = 60.0
"""Goal: of this length [s]."""


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


def greatest_memory() -> float:
    """Of this program so far [MB].

    `getrusage` would count that of its parent, which simulates the whole record, as well.
    """
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def run_one(folder: Path, out: Path, window: float | None, coarse: bool) -> None:
    """In a process of its own; prints CPU seconds, memory [MB], times, size of the answers [MB]."""
    from lashwave.files import read_motion
    from lashwave.pipeline import reconstruct_folder

    begun = time.process_time()
    reconstruct_folder(folder, out, options=COARSE if coarse else None, window=window)
    spent = time.process_time() - begun
    memory = greatest_memory()
    size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file()) / 1e6
    times = int(read_motion(out, 10).attrs.get("times_in_file", 0))
    print(json.dumps([spent, memory, times, size]))


def equations_alone(folder: Path, window: float, coarse: bool) -> None:
    """In a process of its own: what the memory of a long record hangs on, without the search."""
    from lashwave.answers import Gathering
    from lashwave.estimate import LongJoint, pieces
    from lashwave.estimate.anchor import shape_prior
    from lashwave.estimate.by_stretch import densities, shared_out
    from lashwave.estimate.divided import Divided
    from lashwave.estimate.setup import set_up
    from lashwave.estimate.sighting_rows import full_weights
    from lashwave.estimate.stretches import Division, cuts_at
    from lashwave.estimate.sweep import initial_shared, spline_path
    from lashwave.pipeline import read_usable

    begun = time.process_time()
    trial = read_usable(folder)
    setup = set_up(trial, COARSE if coarse else Options())
    begin, end = trial.markers.time[[0, -1]]
    grid = np.linspace(begin, end, round((end - begin) / setup.options.longest_step) + 1)
    path = spline_path(setup, grid, initial_shared(setup))
    cuts = cuts_at(grid, np.ones(grid.size), window, 1000)
    none = np.zeros((grid.size, 0))
    division = Division(setup, none, full_weights(setup), shape_prior(setup, path), cuts)
    density = densities(division, path, np.ones(grid.size))
    division = replace(division, density=density)
    path = shared_out(division, path)
    problem = Divided(division)
    problem.newton(path, 1.0)
    forward = problem.forward(path, 1.0, plain=True)
    long = LongJoint(setup, division, path, forward, 1.0, (), True, 1.0)
    gathering = Gathering(trial)
    for piece in pieces(long):
        gathering.take(piece.draws, piece.around, piece.before)
    spent = time.process_time() - begun
    memory = greatest_memory()
    print(json.dumps([spent, memory, grid.size, 0.0]))


Cost = tuple[float, float, float, float]
"""CPU time [s], greatest memory [MB], times, size of the answers [MB]."""


def cost(folder: Path, window: float | None, coarse: bool, equations: bool) -> Cost:
    """Of a run in a process of its own."""
    out = folder.with_name(folder.name + ".answers")
    words = [sys.executable, __file__, "--one", str(folder), str(out)]
    words += ["--window", "0" if window is None else str(window)]
    words += ["--coarse"] * coarse + ["--equations"] * equations
    said = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
    spent, memory, times, size = json.loads(said.splitlines()[-1])
    return spent, memory, times, size


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--seconds", type=float, nargs="+", default=[1.0, 2.0, 4.0, 8.0])
    parser.add_argument("--window", type=float, default=1.0, help="[s]; 0 takes records at once")
    parser.add_argument("--coarse", action="store_true")
    parser.add_argument("--equations", action="store_true")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--one", type=Path, nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        if args.equations:
            equations_alone(args.one[0], args.window, args.coarse)
        else:
            run_one(*args.one, args.window, args.coarse)
        return
    from lashwave.files import write_trial

    whole = long_swing(args.seed, max(args.seconds))
    with tempfile.TemporaryDirectory() as place:
        folders = {}
        for seconds in [0.4, *args.seconds]:
            folders[seconds] = Path(place) / f"swing-{seconds:g}"
            write_trial(folders[seconds], first(whole, seconds))
        cost(folders[0.4], 0.3 if args.window else 0.0, args.coarse, args.equations)  # compiles
        found = {}
        for seconds in args.seconds:
            found[seconds] = cost(folders[seconds], args.window, args.coarse, args.equations)
            spent, memory, times, size = found[seconds]
            print(
                f"{seconds:g} s: {spent:.1f} s of CPU ({spent / seconds:.1f} a second), "
                f"{memory:.0f} MB, {times} times, answers {size:.1f} MB",
                flush=True,
            )
    report(found, args)


def report(found: dict[float, Cost], args: argparse.Namespace) -> None:
    """Growth from the shortest to the longest, what it makes of a minute, and the figures kept."""
    short, long = min(found), max(found)
    rate = found[long][0] / long / (found[short][0] / short)
    growth = (found[long][1] - found[short][1]) / (long - short)
    memory = found[long][1] + growth * (LONGEST - long)
    print(f"CPU a second of {long:g} s over that of {short:g} s: {rate:.2f} (goal 1 at most)")
    print(f"memory grows by {growth:.1f} MB a second: {memory:.0f} MB at 60 s (goal 2000 at most)")
    if args.keep:
        chain = "half the links" if args.coarse else "the usual chain"
        chain += ", equations and draws alone" if args.equations else ""
        figures.save("duration", f"Cost of a long record, swings, {chain}", [
            Figure(f"CPU time a second of {long:g} s over that of {short:g} s [1]", MACHINE, 1,
                   rate, goal="1", met=rate <= 1.0),
            *(Figure(f"CPU time of {s:g} s [s]", MACHINE, 1, one[0]) for s, one in found.items()),
            *(Figure(f"memory of {s:g} s [MB]", MACHINE, 1, one[1]) for s, one in found.items()),
            Figure("growth of memory with a second of the record [MB]", MACHINE, 1, growth),
            Figure("memory of 60 s, carried on from these [MB]", MACHINE, 1, memory,
                   goal="2000", met=memory <= 2000.0),
        ])  # fmt: skip


if __name__ == "__main__":
    main()
