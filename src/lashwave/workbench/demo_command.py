"""`lashwave demo`: an example trial, its answers, and the truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from lashwave import pipeline
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.workbench.shared_options import Quiet, Seed
from lashwave.workbench.simulate_command import SIMULATED, BenchWishes, make, plain, write


def demo(
    *,
    out: Annotated[Path, Parameter(help="Folder for demo-trial and demo.")] = Path("out"),
    seed: Seed = 7,
    quiet: Quiet = False,
) -> int:
    """Simulate an example trial, reconstruct it, and show the answers beside the truth."""
    with console.progress(quiet) as progress:
        return run(out, seed, progress)


def run(out: Path, seed: int, progress: console.Progress) -> int:
    """Simulate, reconstruct, and print the answers beside the truth."""
    bench_folder, answer_folder = out / "demo-trial", out / "demo"
    folders.check_new_folder(bench_folder, known=SIMULATED, option="--out")
    folders.check_answer_folder(answer_folder, bench_folder)
    progress("simulating", 0.0)
    trial, truth = make(BenchWishes(seed=seed))
    write(bench_folder, trial, truth)
    done = pipeline.reconstruct_folder(bench_folder / "trial", answer_folder, progress)
    _show(done, truth, bench_folder, answer_folder)
    return 0


def _show(done: pipeline.Reconstruction, truth: Any, trial: Path, out: Path) -> None:
    """What was found, in the order in which a newcomer asks."""
    from lashwave.workbench import reconstruct_command

    console.say(f"A simulated throw on an invented bench: {trial / 'trial'}")
    reconstruct_command.show_answers(
        done, {name: plain(value) for name, value in truth.answers.items()}
    )
    console.say()
    console.say("The trial is simulated, so the truth is known: the last two columns show it.")
    console.say(f"Answers: {out / 'summary.json'}, {out / 'motion.nc'}")
    console.say(f"Report:  {out / 'report.html'}")
