"""`lashwave simulate`: a trial on the virtual bench, with the truth behind it."""

from __future__ import annotations

import json as to_json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal

from cyclopts import Parameter

from lashwave import files, quantities, twin
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import Json, Quiet, Seed, flag

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


def make(wishes: BenchWishes) -> tuple[quantities.Trial, Any]:
    """The trial as instruments saw it, and the truth behind it."""
    wishes.check()
    return twin.make(**asdict(wishes))


def simulate(
    out: Annotated[Path, Parameter(name="OUT", help="Folder to write; must be new or empty.")],
    /,
    *,
    kind: Annotated[
        Literal["throw", "wide", "swing", "held"],
        Parameter(
            help="A throw that cracks; a wide one, whose drag and damping are far from what is "
            "stated; a swing that does not crack; or both ends held."
        ),
    ] = "throw",
    seed: Seed = 0,
    no_camera: Annotated[bool, flag("Markers only.")] = False,
    second_view: Annotated[bool, flag("A second fast camera at an angle.")] = False,
    ghosts: Annotated[float, Parameter(help="Share of false marker samples, 0 to 0.5.")] = 0.0,
    missing: Annotated[float, Parameter(help="Share of samples lost at random, 0 to 0.9.")] = 0.0,
    no_stiffness: Annotated[bool, flag("Leave the stiffness column out of line.csv.")] = False,
    swaps: Annotated[int, Parameter(help="Stretches with two labels exchanged.")] = 0,
    flashes: Annotated[bool, flag("List the frames that show the markers' strobe.")] = False,
    lost_third: Annotated[bool, flag("Hide the last third for 30 ms about the peak.")] = False,
    clock_wrong: Annotated[float, Parameter(help="Error of the camera's stated clock [s].")] = 0.0,
    stand_off: Annotated[float, Parameter(help="Of the markers from the axis [m].")] = 0.0,
    camera_rate: Annotated[
        float | None, Parameter(help="Of the fast cameras [Hz]; default one in step with 500 Hz.")
    ] = None,
    pictures: Annotated[
        bool, flag("Images and sound in place of points; minutes, 0.4 GB.")
    ] = False,
    microphones: Annotated[int, Parameter(help="How many, with --pictures; 1 to 16.")] = 1,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Simulate a trial on a virtual bench: OUT/trial, and the truth in OUT/truth.nc and .json.

    With --pictures, OUT/trial holds images and sound, OUT/seen the same trial as points, and
    OUT/truth-pictures what should be found in them.
    """
    wishes = BenchWishes(
        kind=kind,
        seed=seed,
        camera=not no_camera,
        second_view=second_view,
        ghosts=ghosts,
        missing=missing,
        stiffness=not no_stiffness,
        swaps=swaps,
        flashes=flashes,
        lost_third=lost_third,
        clock_wrong=clock_wrong,
        stand_off=stand_off,
        camera_rate=camera_rate,
    )
    with console.progress(quiet) as progress:
        return run(out, wishes, progress, pictures=pictures, as_json=json, microphones=microphones)


def run(
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
        from lashwave.workbench import bench_pictures

        taken = twin.take(trial, truth, twin.Setting(microphones=microphones))
        write(out, taken.trial, taken.truth, partial(bench_pictures.write, taken, progress))
    else:
        write(out, trial, truth)
    truths = [str(out / "truth.nc"), str(out / "truth.json")]
    record = {"trial": str(out / "trial"), "truth": truths, "wishes": asdict(wishes)}
    if pictures:
        record |= {"seen": str(out / "seen"), "pictures": str(out / "truth-pictures")}
    if as_json:
        console.say(to_json.dumps(record, indent=1))
    else:
        console.say(f"Trial: {out / 'trial'}")
        console.say(f"Truth: {out / 'truth.nc'} and {out / 'truth.json'}")
    return 0


def write(
    out: Path, trial: quantities.Trial, truth: Any, trial_to: Callable[[Path], None] | None = None
) -> None:
    """Write aside, then move into place, so that a stop leaves no half trial.

    trial_to : writes what stands in place of the trial's points, to the folder that it is given.
    """

    def fill(half: Path) -> None:
        if trial_to is None:
            files.write_trial(half / "trial", trial)
        else:
            trial_to(half)
        write_truth(half, trial.name, truth)

    files.replace_folder(out.resolve(), fill)


def write_truth(folder: Path, trial: str, truth: Any) -> None:
    """Write truth.nc and truth.json of a simulated trial."""
    (folder / "truth.nc").write_bytes(files.netcdf_bytes(truth.motion))
    answers = {name: plain(value) for name, value in truth.answers.items()}
    record = {"schema": 1, "trial": trial, "quantities": answers}
    text = to_json.dumps(record, indent=1, allow_nan=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


def plain(value: float | None) -> float | None:
    """A JSON number, or null for an event that did not happen."""
    return None if value is None or not math.isfinite(value) else float(value)
