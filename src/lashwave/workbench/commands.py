"""The commands and their options; what each does lies in a module of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from lashwave import __version__
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError

DONE = 0

app = App(
    name="lashwave",
    help="The whole motion of a fast, slender, tapered line, from partial records of it.",
    help_epilogue=(
        "Exit status: 0 done; 2 the input is at fault (one line says where, nothing is written); "
        "1 anything else. Add --traceback to see where in the program something went wrong."
    ),
    version=__version__,
    suppress_keyboard_interrupt=False,
    result_action="return_value",
)

Trial = Annotated[Path, Parameter(name="TRIAL", help="Folder that holds trial.toml.")]
Json = Annotated[bool, Parameter(name="--json", negative="", help="Print JSON for a script.")]
Quiet = Annotated[bool, Parameter(name="--quiet", negative="", help="Show no progress.")]
Seed = Annotated[int, Parameter(name="--seed", help="Which trial of the family; any whole number.")]


Trials = Annotated[
    list[Path], Parameter(name="TRIALS", help="Folders of trials; of answers too for `compare`.")
]


def _flag(text: str) -> Parameter:
    return Parameter(negative="", help=text)


@app.command
def check(trial: Trial, /, *, json: Json = False) -> int:
    """Say whether a trial is usable, what is wrong with it, and how good it is.

    Reads the whole trial and writes nothing. Status 0 where it can be reconstructed (perhaps with
    care), 2 where it cannot be read or used.
    """
    from lashwave.pipeline import checkup

    folders.check_trial_folder(trial)
    return checkup.run(trial, as_json=json)


@app.command
def reconstruct(
    trial: Trial,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the answers; an earlier answer is replaced.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Reconstruct the line's whole motion from a trial, with its uncertainty.

    Writes motion.nc, samples.nc, answers.nc, sightings.nc, summary.json, the report as
    report.html and report.pdf, and its figures with their numbers, to --out, whole or not at
    all. The trial's folder is read and never changed.
    """
    from lashwave.pipeline import reconstruct as pipeline
    from lashwave.workbench import shown_answers as show

    folders.check_trial_folder(trial)
    folders.check_answer_folder(out, trial)
    with console.progress(quiet) as progress:
        result = pipeline.reconstruct_folder(trial, out, progress)
    show.result(result, out, as_json=json)
    return DONE


@app.command
def deposit(
    trial: Trial,
    /,
    *,
    answers: Annotated[Path, Parameter(help="Folder that `reconstruct` wrote for the trial.")],
    out: Annotated[Path, Parameter(help="Archive to write (.zip); an earlier one is replaced.")],
    inputs: Annotated[bool, _flag("Put the trial's own files in too.")] = False,
) -> int:
    """Pack a trial's answers for a data repository: one archive that explains itself.

    Holds all that `reconstruct` wrote, the markers with their gaps filled as C3D, checksums of the
    inputs and of every file, and a README to be completed by whoever deposits it.
    """
    from lashwave.workbench import deposit_command as packing

    folders.check_trial_folder(trial)
    folders.check_new_file(out, apart=(trial, answers))
    names = packing.run(trial, answers, out, inputs=inputs)
    console.say(f"Archive: {out} ({len(names)} files)")
    return DONE


@app.command
def parameters(
    trials: Trials,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the answers; an earlier answer is replaced.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Estimate drag, damping and bending stiffness from one trial or several of one specimen.

    Says which of them the sightings tell apart, with profile likelihoods. Takes two minutes a
    trial; what was computed is kept in --out, so that a run that was stopped goes on where it was.
    """
    from lashwave.workbench import parameters_command as law

    _check_trials(trials, out)
    folders.check_new_folder(out, known=law.FILES, option="--out")
    with console.progress(quiet) as progress:
        return law.run(trials, out, progress, as_json=json)


@app.command
def compare(
    trials: Trials,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the answers; an earlier answer is replaced.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Compare the answers of several trials: repeatability, spread of specimens and throwers.

    Takes folders of trials or of their answers. A trial without answers is reconstructed first
    and kept in --out. Missing answers stay missing and are counted.
    """
    from lashwave.workbench import compare_command as side_by_side

    _check_trials(trials, out)
    folders.check_new_folder(out, known=side_by_side.FILES, option="--out")
    with console.progress(quiet) as progress:
        return side_by_side.run(trials, out, progress, as_json=json)


def _check_trials(trials: list[Path], out: Path) -> None:

    if not trials:
        raise InputError("TRIALS", "none is named", "name a trial folder or several")
    for trial in trials:
        folders.check_trial_folder(trial)
        folders.check_apart(out, trial)


@app.command
def calibrate(
    plan: Annotated[Path, Parameter(name="PLAN", help="TOML file that says what was measured.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Calibration file to write; an earlier one is replaced.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Calibrate a camera, or several by a wand, with the uncertainty of each.

    PLAN names images of a board, known points, a wand, a flat scale or markers seen by a fast
    camera. A wand's cameras are written to OUT's name with -CAMERA added.
    """
    from lashwave.workbench import calibrate_command as calibration, calibrate_show

    with console.progress(quiet) as progress:
        result = calibration.run(plan, out, progress)
    calibrate_show.outcome(result, as_json=json)
    return DONE


@app.command
def locate(
    trial: Trial,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the sightings; not the trial's own.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Find sightings in a trial's pictures and sound: markers, tip, flashes, tuft, fronts, onsets.

    Writes --out, a trial folder that `reconstruct` takes, and a contact sheet for each camera to
    judge by eye. A run that was stopped goes on where it was.
    """
    from lashwave.pipeline import locate as search

    folders.check_trial_folder(trial)
    folders.check_apart(out, trial)
    with console.progress(quiet) as progress:
        return search.run(trial, out, progress, as_json=json)


@app.command
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
    no_camera: Annotated[bool, _flag("Markers only.")] = False,
    second_view: Annotated[bool, _flag("A second fast camera at an angle.")] = False,
    ghosts: Annotated[float, Parameter(help="Share of false marker samples, 0 to 0.5.")] = 0.0,
    missing: Annotated[float, Parameter(help="Share of samples lost at random, 0 to 0.9.")] = 0.0,
    no_stiffness: Annotated[bool, _flag("Leave the stiffness column out of line.csv.")] = False,
    swaps: Annotated[int, Parameter(help="Stretches with two labels exchanged.")] = 0,
    flashes: Annotated[bool, _flag("List the frames that show the markers' strobe.")] = False,
    lost_third: Annotated[bool, _flag("Hide the last third for 30 ms about the peak.")] = False,
    clock_wrong: Annotated[float, Parameter(help="Error of the camera's stated clock [s].")] = 0.0,
    stand_off: Annotated[float, Parameter(help="Of the markers from the axis [m].")] = 0.0,
    camera_rate: Annotated[
        float | None, Parameter(help="Of the fast cameras [Hz]; default one in step with 500 Hz.")
    ] = None,
    pictures: Annotated[
        bool, _flag("Images and sound in place of points; minutes, 0.4 GB.")
    ] = False,
    microphones: Annotated[int, Parameter(help="How many, with --pictures; 1 to 16.")] = 1,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Simulate a trial on a virtual bench: OUT/trial, and the truth in OUT/truth.nc and .json.

    With --pictures, OUT/trial holds images and sound, OUT/seen the same trial as points, and
    OUT/truth-pictures what should be found in them.
    """
    from lashwave.workbench import bench_command as bench

    wishes = bench.BenchWishes(
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
        return bench.simulate(
            out, wishes, progress, pictures=pictures, as_json=json, microphones=microphones
        )


@app.command
def demo(
    *,
    out: Annotated[Path, Parameter(help="Folder for demo-trial and demo.")] = Path("out"),
    seed: Seed = 7,
    quiet: Quiet = False,
) -> int:
    """Simulate an example trial, reconstruct it, and show the answers beside the truth."""
    from lashwave.workbench import bench_command as bench

    with console.progress(quiet) as progress:
        return bench.demo(out, seed, progress)


# Not imported before they are called for, so the list of commands asks for their first lines here.
app.command(
    "lashwave.workbench.models:predict",
    help="Predict a trial from its hand's motion alone, and hold it against what was seen.",
)
app.command(
    "lashwave.workbench.models:rank",
    help="Rank models of the forces by what they predict, with standard errors of the differences."
    "\n\nWith several trials, each one's forecasts use the law fitted to the others.",
)
app.command(
    "lashwave.workbench.models:fall",
    help="Say which fold a falling chain has: energy-keeping, plastic, or which share in between.",
)

app.command(
    "lashwave.workbench.law_command:law",
    help="Fit a design law of the crack to throws by the thousand, or ask it about one throw.",
)
app.command(
    "lashwave.workbench.sensitivity_command:sensitivity",
    help="Say which input of line, hand and air moves peak speed, crack time and grip force.",
)


@app.command
def assemble(
    source: Annotated[Path, Parameter(name="SOURCE", help="Folder of the instruments' files.")],
    /,
    *,
    out: Annotated[Path | None, Parameter(help="Trial folder to write; must not exist.")] = None,
    description: Annotated[
        Path | None, Parameter(name="--with", help="A trial.toml to take in place of the proposal.")
    ] = None,
    setting: Annotated[
        tuple[str, ...], Parameter(name="--set", help='A field, as markers.sd="0.3 mm".')
    ] = (),
    station: Annotated[
        tuple[str, ...], Parameter(name="--station", help='A marker, as M01="0.40 m".')
    ] = (),
    unit: Annotated[
        tuple[str, ...], Parameter(name="--unit", help="Of a column, as FILE:HEADING=mm.")
    ] = (),
    json: Json = False,
) -> int:
    """Make a trial folder of instrument files: recognise, describe, check, write.

    Without --out it prints what the files are and the trial.toml proposed, with every fault on
    standard error. Files of another shape are written anew beside a copy; SOURCE never changes.
    """
    from lashwave.workbench import assemble_command as assembling

    return assembling.run(source, out, description, setting, station, unit, json)


@app.command(name="open")
def open_folder(
    folder: Annotated[Path, Parameter(name="DIR", help="Folder that holds trial folders.")],
    /,
    *,
    port: Annotated[int, Parameter(help="Port on loopback; 0 takes a free one.")] = 0,
    no_browser: Annotated[bool, _flag("Print the address and open no browser.")] = False,
) -> int:
    """Show the trials of a folder in the browser: look, scrub, mend, run.

    Serves pages on this machine only, at an address with a secret in it. Stop with Ctrl-C.
    """
    from lashwave.workbench import open_command as opening

    return opening.serve(folder, port, browser=not no_browser)
