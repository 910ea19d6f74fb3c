"""`lashwave demo`: an example trial, its answers, and the truth beside them."""

from __future__ import annotations

import shutil
import sys
from dataclasses import astuple, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave import files, pipeline
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.workbench.shared_options import Quiet, Seed
from lashwave.workbench.simulate_command import BenchWishes, make, plain, write_truth

if TYPE_CHECKING:
    from lashwave.quantities import Trial


def demo(
    *,
    out: Annotated[Path, Parameter(help="Folder for demo and demo.answers.")] = Path("out"),
    seed: Seed = 36,
    quiet: Quiet = False,
) -> int:
    """Simulate an example trial, reconstruct it, and show the answers beside the truth.

    Ends with the command that shows it in the browser.
    """
    with console.progress(quiet) as progress:
        return run(out, seed, progress)


DEMO = frozenset({"trial.toml", "line.csv", "markers.csv", "tip-view.csv"})
"""What the demo's trial folder holds."""


def run(out: Path, seed: int, progress: console.Progress) -> int:
    """Simulate, reconstruct, and print the answers beside the truth.

    Writes OUT/demo, OUT/demo.answers beside it, where `open` looks, and OUT/demo-truth.
    """
    trial_folder, answer_folder = out / "demo", out / "demo.answers"
    truth_folder = out / "demo-truth"
    folders.check_new_folder(trial_folder, known=DEMO, option="--out")
    folders.check_new_folder(truth_folder, known=frozenset({"truth.nc", "truth.json"}),
                             option="--out")  # fmt: skip
    folders.check_answer_folder(answer_folder, trial_folder)
    progress("simulating", 0.0)
    seen, truth = make(BenchWishes(seed=seed))
    trial = as_noted(seen)
    files.replace_folder(truth_folder.resolve(), lambda half: write_truth(half, trial.name, truth))
    files.replace_folder(trial_folder.resolve(), lambda half: files.write_trial(half, trial))
    done = pipeline.reconstruct_folder(trial_folder, answer_folder, progress, threads=None)
    _show(done, truth, trial_folder, answer_folder)
    return 0


def as_noted(trial: Trial) -> Trial:
    """The trial as a person would note it down: lengths to a millimetre, tables to three figures.

    What is rounded off is less than what each figure is known to.
    """
    import numpy as np

    from lashwave.quantities import Tuft

    line, markers = trial.line, trial.markers
    station = np.round(line.station, 3)
    columns = ("diameter", "linear_density", "bending_stiffness", "axial_stiffness")
    table = {
        name: _figures(column, 3) for name in columns if (column := getattr(line, name)) is not None
    }
    noted = replace(
        line, station=station, **table,
        column_sd={name: _figures(sd, 2) for name, sd in line.column_sd.items()},
        handle_length=round(line.handle_length, 3),
        tuft=None if line.tuft is None else Tuft(*_figures(astuple(line.tuft), 2).tolist()),
    )  # fmt: skip
    cameras = tuple(
        replace(
            camera,
            projection=_figures(camera.projection, 6),
            station=np.where(camera.station == line.length, noted.length, camera.station),
        )
        for camera in trial.cameras
    )
    mass, diameter = (float(_figures(v, 2)) for v in (markers.mass, markers.diameter))
    return replace(
        trial, name="demo", specimen="practice line", thrower="virtual arm", line=noted,
        markers=replace(markers, mass=mass, diameter=diameter), cameras=cameras,
    )  # fmt: skip


def _figures(values: Any, count: int) -> Any:
    """The same rounded to so many figures; shape and unit as they are."""
    import numpy as np

    return np.vectorize(lambda v: float(f"{v:.{count}g}"), otypes=[float])(values)


def _show(done: pipeline.Reconstruction, truth: Any, trial: Path, out: Path) -> None:
    """What was found, in the order in which a newcomer asks; the next command comes last."""
    from lashwave.workbench import reconstruct_command

    console.say(f"A simulated throw on an invented bench: {trial}")
    reconstruct_command.show_answers(
        done, {name: plain(value) for name, value in truth.answers.items()}
    )
    console.say()
    console.say("The trial is simulated, so the truth is known: the last two columns show it.")
    console.say(f"Answers: {out / 'summary.json'}, {out / 'motion.nc'}")
    console.say(f"Report:  {out / 'report.html'}")
    console.say("Look at it, and mend it, in the browser:")
    console.say(f"  {_command()} open {trial}")


def _command() -> str:
    """The command as it can be typed now: by its name where the shell finds that."""
    return "lashwave" if shutil.which("lashwave") else str(Path(sys.argv[0]))
