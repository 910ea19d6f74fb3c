"""`lashwave reconstruct`: a trial's whole motion and its answers."""

from __future__ import annotations

import json as to_json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError, UnitError, quantity
from lashwave.workbench.shared_options import DONE, Json, Quiet, Trial

if TYPE_CHECKING:
    from lashwave.pipeline import Reconstruction
    from lashwave.quantities import Answer, Foretold


def reconstruct(
    trial: Trial,
    /,
    *,
    out: Annotated[
        Path | None,
        Parameter(
            help="Folder for the answers; an earlier answer is replaced. Left out: TRIAL.answers, "
            "where `open` looks."
        ),
    ] = None,
    withhold: Annotated[
        list[str] | None,
        Parameter(
            negative="",
            help="Leave sightings out and see how well the rest foretells them: a marker's label "
            "(M07) or a camera's name; a span of lab time (0.30:0.35, 300ms:350ms) or every K-th "
            "sample and frame (every:4), of all cameras and of all markers but those that drive "
            "the line; or one of these at such times (M07@0.30:0.35, M07@every:2). May be given "
            "again and again. Without --out: TRIAL.withheld.answers.",
        ),
    ] = None,
    window: Annotated[
        str | None,
        Parameter(
            help="Length of the windows in which a long record is taken (1 s, 500 ms), so that it "
            "asks for no more memory than a short one; or none: all at once. Left out: 1 s for a "
            "record over 3 s, none for a shorter one. A run that was stopped goes on from what is "
            "kept in ANSWERS.begun.",
        ),
    ] = None,
    threads: Annotated[
        int | None,
        Parameter(
            help="Threads that the work is shared among; the answers are the same. Left out: as "
            "many as LASHWAVE_THREADS in the environment names, or one for each core."
        ),
    ] = None,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Reconstruct the line's whole motion from a trial, with its uncertainty.

    Writes motion.nc, samples.nc, answers.nc, sightings.nc, summary.json, the report as
    report.html and report.pdf, and its figures with their numbers, to --out, whole or not at
    all. The trial's folder is read and never changed.
    """
    from lashwave.pipeline import reconstruct_folder

    folders.check_trial_folder(trial)
    if threads is not None and threads < 1:
        raise InputError("--threads", f"{threads} is not a number of them", "give 1 or more")
    if out is None:
        beside = trial.resolve()
        out = beside.with_name(f"{beside.name}{'.withheld' if withhold else ''}.answers")
    folders.check_answer_folder(out, trial)
    length = None if window is None else window_length(window)
    with console.progress(quiet) as progress:
        done = reconstruct_folder(
            trial, out, progress, withhold=tuple(withhold or ()), window=length, threads=threads
        )
    show_result(done, out, as_json=json)
    return DONE


def window_length(text: str) -> float:
    """Length of a window [s] as `--window` has it; 0 for none.

    Raises InputError for what is no length, or shorter than a window can be.
    """
    from lashwave.pipeline import SHORTEST

    right = f"write a length from {SHORTEST:g} s on, as '1 s', or none"
    if text.strip() == "none":
        return 0.0
    try:
        bare: float | str = float(text)
    except ValueError:
        bare = text
    try:
        length = quantity(bare, "time")
    except UnitError as fault:
        raise InputError("--window", fault.problem, right) from None
    if not length >= SHORTEST:
        raise InputError("--window", f"{text} is too short", right)
    return length


def rows(
    answers: dict[str, Answer], draws: int, truth: dict[str, float | None] | None = None
) -> list[list[str]]:
    """One row an answer: name, value, sd, 95 % interval, unit, chance; and truth, hit or miss."""
    from lashwave.report import numbers

    table = []
    for name, answer in answers.items():
        shown, unit = numbers.readable(answer)
        row = [name, *_numbers(shown), unit, _chance(answer, draws)]
        if truth is not None:
            row += _beside(answer, shown, truth.get(name))
        table.append(row)
    return table


def _numbers(shown: Answer) -> list[str]:
    """Value, standard deviation, interval, to the digits that the deviation supports."""
    from lashwave.report import decimals, fixed, numbers

    if shown.value is None:
        return ["none", "", shown.reason or ""]
    places = decimals(shown.sd, shown.value)
    known = shown.sd is not None and shown.low95 is not None
    interval = numbers.interval_of(shown) if known else ""
    return [fixed(shown.value, places), fixed(shown.sd, places) if known else "", interval]


def _chance(answer: Answer, draws: int) -> str:
    from lashwave.report import chance

    return "" if answer.probability is None else chance(answer.probability, draws)


def _beside(answer: Answer, shown: Answer, true: float | None) -> list[str]:
    """The truth of a simulated trial, and whether the interval holds it; as `shown` is read."""
    from lashwave.report import decimals, fixed

    if true is None:
        return ["none", "agrees" if answer.value is None else "-"]
    factor = shown.value / answer.value if answer.value and shown.value else 1.0
    text = fixed(factor * true, decimals(shown.sd, factor * true))
    if answer.low95 is None or answer.high95 is None:
        return [text, "-"]
    return [text, "inside" if answer.low95 <= true <= answer.high95 else "outside"]


def show_result(done: Reconstruction, out: Path, *, as_json: bool = False) -> None:
    """Print what `reconstruct` found and where it is written."""
    if as_json:
        record = {
            "schema": 1,
            "trial": done.trial.name,
            "out": str(out),
            "quantities": {name: answer.as_dict() for name, answer in done.answers.items()},
            "warnings": list(done.fit.warnings),
        }
        if done.fit.foretold is not None:
            from lashwave.files import withheld_record

            record["withheld"] = withheld_record(done.fit.foretold)
        console.say(to_json.dumps(record, indent=1, allow_nan=False))
        return
    show_answers(done)
    console.say(f"Report: {out / 'report.html'}")


def show_answers(done: Reconstruction, truth: dict[str, float | None] | None = None) -> None:
    """Print the answers with their uncertainty, then every warning."""
    headings = ["answer", "value", "sd", "95 % interval", "unit", "chance"]
    if truth is not None:
        headings += ["truth", "interval"]
    draws = done.fit.draws.position.shape[0]
    without = "" if done.fit.foretold is None else f", without {done.fit.foretold.words}"
    console.table(f"Trial {done.trial.name}{without}", headings, rows(done.answers, draws, truth))
    if done.fit.foretold is not None:
        show_withheld(done.fit.foretold)
    console.say()
    if not done.fit.warnings:
        console.say("No warnings.")
    for warning in done.fit.warnings:
        console.say(f"Warning: {warning}")


def show_withheld(found: Foretold) -> None:
    """Print how well withheld sightings were foretold, a row a marker or camera."""
    from lashwave.report import numbers

    grid = numbers.withheld(found)
    console.table("Withheld sightings", grid.head, grid.rows)
