"""The commands that use the virtual bench: `simulate` and `demo`."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from lashwave.files import folders
from lashwave.pipeline import console, reconstruct as pipeline
from lashwave.quantities import InputError, Trial
from lashwave.workbench import shown_answers as show

SIMULATED = frozenset({"trial", "truth.nc", "truth.json", "seen", "truth-pictures"})
"""What `simulate` writes; it may replace these and nothing else."""


@dataclass(frozen=True)
class BenchWishes:
    """What a user asks the bench for."""

    kind: str = "throw"
    seed: int = 0
    camera: bool = True
    second_view: bool = False
    ghosts: float = 0.0
    """Share of false marker samples."""
    missing: float = 0.0
    """Share of marker samples lost at random."""
    stiffness: bool = True
    """Whether line.csv has its stiffness column."""
    swaps: int = 0
    """Stretches with two labels exchanged."""
    flashes: bool = False
    """Whether strobe flashes are listed."""
    lost_third: bool = False
    """Hide the last third of the line for 30 ms about the peak."""
    clock_wrong: float = 0.0
    """[s], error of a camera clock that is stated as good to 0.1 ms."""
    stand_off: float = 0.0
    """Of the markers from the line's axis [m]."""
    camera_rate: float | None = None
    """Of the fast cameras [Hz]; None leaves it to the bench."""

    def check(self) -> None:
        """Raise InputError where a wish makes no sense."""
        if not 0.0 <= self.ghosts <= 0.5:
            raise InputError("--ghosts", f"{self.ghosts:g} is no share of samples", "0 to 0.5")
        if not 0.0 <= self.missing <= 0.9:
            raise InputError("--missing", f"{self.missing:g} is no share of samples", "0 to 0.9")
        if self.seed < 0:
            raise InputError("--seed", f"{self.seed} is negative", "0 or more")
        if self.swaps < 0:
            raise InputError("--swaps", f"{self.swaps} is negative", "0 or more")
        if not abs(self.clock_wrong) <= 0.1:
            raise InputError("--clock-wrong", f"{self.clock_wrong:g} s", "at most 0.1 s")
        if not 0.0 <= self.stand_off <= 0.05:
            raise InputError("--stand-off", f"{self.stand_off:g} m", "0 to 0.05 m")
        if self.camera_rate is not None and not 5e3 <= self.camera_rate <= 100e3:
            raise InputError("--camera-rate", f"{self.camera_rate:g} Hz", "5000 to 100000 Hz")
        if self.camera_rate is not None and (not self.camera or self.kind == "held"):
            raise InputError("--camera-rate", "there is no camera", "leave it out")
        if self.second_view and not self.camera:
            raise InputError("--second-view", "there is no camera", "leave --no-camera out")


def make(wishes: BenchWishes) -> tuple[Trial, Any]:
    """The trial as instruments saw it, and the truth behind it."""
    from lashwave import twin

    wishes.check()
    return twin.make(**asdict(wishes))


def simulate(
    out: Path,
    wishes: BenchWishes,
    progress: console.Progress,
    *,
    pictures: bool,
    as_json: bool,
    microphones: int = 1,
) -> int:
    """Write OUT/trial, OUT/truth.nc and OUT/truth.json, all or none.

    Raises InputError for wishes that do not go together.
    """
    wishes.check()
    if pictures and wishes.swaps:
        raise InputError("--swaps", "pictures hold no labels", "leave it out with --pictures")
    if pictures and wishes.kind == "held":
        raise InputError("--pictures", "no fast camera sees a held line", "use throw or swing")
    if pictures and not wishes.camera:
        raise InputError("--pictures", "there is no camera", "leave --no-camera out")
    if not 1 <= microphones <= 16:
        raise InputError("--microphones", f"{microphones}", "1 to 16")
    if microphones > 1 and not pictures:
        raise InputError("--microphones", "goes with --pictures", "add --pictures")
    folders.check_new_folder(out, known=SIMULATED, option="OUT")
    progress("simulating", 0.0)
    trial, truth = make(wishes)
    if pictures:
        from lashwave.twin import Setting, take
        from lashwave.workbench import bench_pictures

        taken = take(trial, truth, Setting(microphones=microphones))
        write(out, taken.trial, taken.truth, partial(bench_pictures.write, taken, progress))
    else:
        write(out, trial, truth)
    truths = [str(out / "truth.nc"), str(out / "truth.json")]
    record = {"trial": str(out / "trial"), "truth": truths, "wishes": asdict(wishes)}
    if pictures:
        record |= {"seen": str(out / "seen"), "pictures": str(out / "truth-pictures")}
    if as_json:
        console.say(json.dumps(record, indent=1))
    else:
        console.say(f"Trial: {out / 'trial'}")
        console.say(f"Truth: {out / 'truth.nc'} and {out / 'truth.json'}")
    return 0


def write(
    out: Path, trial: Trial, truth: Any, trial_to: Callable[[Path], None] | None = None
) -> None:
    """Write aside, then move into place, so that a stop leaves no half trial.

    trial_to : writes what stands in place of the trial's points, to the folder that it is given.
    """
    from lashwave.files import netcdf_bytes, replace_folder, write_trial

    def fill(half: Path) -> None:
        if trial_to is None:
            write_trial(half / "trial", trial)
        else:
            trial_to(half)
        (half / "truth.nc").write_bytes(netcdf_bytes(truth.motion))
        answers = {name: _plain(value) for name, value in truth.answers.items()}
        record = {"schema": 1, "trial": trial.name, "quantities": answers}
        text = json.dumps(record, indent=1, allow_nan=False)
        (half / "truth.json").write_text(text + "\n", encoding="utf-8")

    replace_folder(out.resolve(), fill)


def _plain(value: float | None) -> float | None:
    """A JSON number, or null for an event that did not happen."""
    return None if value is None or not math.isfinite(value) else float(value)


def demo(out: Path, seed: int, progress: console.Progress) -> int:
    """Simulate, reconstruct, and print the answers beside the truth."""
    bench_folder, answer_folder = out / "demo-trial", out / "demo"
    folders.check_new_folder(bench_folder, known=SIMULATED, option="--out")
    folders.check_answer_folder(answer_folder, bench_folder)
    progress("simulating", 0.0)
    trial, truth = make(BenchWishes(seed=seed))
    write(bench_folder, trial, truth)
    done = pipeline.reconstruct_folder(bench_folder / "trial", answer_folder, progress)
    _tell(done, truth, bench_folder, answer_folder)
    return 0


def _tell(done: pipeline.Reconstruction, truth: Any, trial: Path, out: Path) -> None:
    """What was found, in the order in which a newcomer asks."""
    console.say(f"A simulated throw on an invented bench: {trial / 'trial'}")
    show.answers(done, {name: _plain(value) for name, value in truth.answers.items()})
    console.say()
    console.say("The trial is simulated, so the truth is known: the last two columns show it.")
    console.say(f"Answers: {out / 'summary.json'}, {out / 'motion.nc'}")
    console.say(f"Report:  {out / 'report.html'}")
