"""`lashwave compare`: answers of several trials side by side."""

from __future__ import annotations

import json as to_json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lashwave import __version__, files, study
from lashwave.files import folders
from lashwave.pipeline import Progress, console
from lashwave.quantities import InputError, LashwaveError
from lashwave.workbench.shared_options import Answers, Json, Quiet, Trials, check_trials

SCHEMA = 1
KEPT = "answers"
"""Folder in --out of the answers of trials that had none."""
FILES = frozenset({
    KEPT, "comparison.json", "comparison.csv", "spread.csv", "comparison.svg", "comparison.pdf",
    "comparison.html",
})  # fmt: skip


def compare(trials: Trials, /, *, out: Answers, json: Json = False, quiet: Quiet = False) -> int:
    """Compare the answers of several trials: repeatability, spread of specimens and throwers.

    Takes folders of trials or of their answers. A trial without answers is reconstructed first
    and kept in --out. Missing answers stay missing and are counted.
    """
    check_trials(trials, out)
    folders.check_new_folder(out, known=FILES, option="--out")
    with console.progress(quiet) as progress:
        return run(trials, out, progress, as_json=json)


def run(trials: Sequence[Path], out: Path, show: Progress, *, as_json: bool) -> int:
    """Gather the answers of trials, write the comparison to `out`, print it."""
    files.sweep(out)
    files.sweep(out / KEPT)
    summaries, notes = [], []
    for i, folder in enumerate(trials):

        def part(stage: str, share: float, i: int = i) -> None:
            show(f"{stage} ({i + 1} of {len(trials)})", 0.97 * (i + share) / len(trials))

        summary, note = _summary(folder, out, part)
        summaries.append(summary)
        notes += note
    outcomes = [study.Outcome(s.trial, s.specimen, s.thrower, s.answers) for s in summaries]
    show("comparison", 0.98)
    rows = study.compared(outcomes)
    notes += notes_of(outcomes)
    record = record_of(outcomes, rows, notes)
    files.write_files(out, files_of(outcomes, rows, record), others=True)
    if as_json:
        console.say(to_json.dumps(record, indent=1, allow_nan=False))
    else:
        _print(outcomes, rows, notes, out)
    return 0


def _summary(folder: Path, out: Path, show: Progress) -> tuple[files.Summary, list[str]]:
    """A folder of answers read, or a trial's answers found or made; and what to say of it.

    A trial that cannot be reconstructed stays in the comparison, without answers.
    """
    if not folder.is_dir():
        raise InputError(folder, "there is no such folder", "name a trial or its answers")
    if not (folder / "trial.toml").is_file():
        return files.read_summary(folder), []
    from lashwave.pipeline import read_usable, reconstruct_folder

    trial = read_usable(folder)
    own = out / KEPT / folder.resolve().name
    for place in (folder.parent / f"{folder.name}.answers", own):
        if (place / "summary.json").is_file():
            summary = files.read_summary(place)
            if summary.inputs == trial.hashes:
                return _named(summary, trial.specimen, trial.thrower), []
    try:
        reconstruct_folder(folder, own, show, threads=None)
    except InputError:
        raise
    except LashwaveError as problem:
        none = files.Summary(trial.name, trial.specimen, trial.thrower, {}, {}, ())
        return none, [f"{trial.name} has no answers: {problem}."]
    return files.read_summary(own), []


def _named(summary: files.Summary, specimen: str | None, thrower: str | None) -> files.Summary:
    """An answer made before summaries named these takes them from the trial."""
    return files.Summary(summary.trial, specimen, thrower, summary.answers, summary.inputs,
                   summary.warnings)  # fmt: skip


def notes_of(outcomes: Sequence[study.Outcome]) -> list[str]:
    """What must be said of trials that name no specimen or thrower."""
    notes = []
    for what in ("specimen", "thrower"):
        unnamed = [o.trial for o in outcomes if getattr(o, what) is None]
        if len(unnamed) == len(outcomes):
            notes.append(f"No trial names its {what}: all count as of one.")
        elif unnamed:
            notes.append(
                f"{len(unnamed)} of {len(outcomes)} trials name no {what} and are left out of the "
                f"spread between {what}s: {', '.join(unnamed)}."
            )
    return notes


def _spread(spread: study.Spread) -> dict[str, Any]:
    record: dict[str, Any] = {"sd": spread.sd, "low95": spread.low95, "high95": spread.high95}
    return record if spread.sd is not None else {**record, "reason": spread.reason}


def _components(parts: study.Components) -> dict[str, Any]:
    return {"within": _spread(parts.within), "between": _spread(parts.between),
            "groups": parts.groups, "trials": parts.trials, "p": parts.p}  # fmt: skip


def record_of(
    outcomes: Sequence[study.Outcome], rows: Sequence[study.Repeated], notes: Sequence[str]
) -> dict[str, Any]:
    """The content of comparison.json, SI."""
    return {
        "schema": SCHEMA,
        "program_version": __version__,
        "trials": [
            {"trial": o.trial, "specimen": o.specimen, "thrower": o.thrower} for o in outcomes
        ],
        "quantities": {
            row.name: {
                "unit": row.unit,
                "values": list(row.values),
                "sds": list(row.sds),
                "reasons": list(row.reasons),
                "present": row.present,
                "of": len(row.values),
                "mean": row.mean,
                "median": row.median,
                "stated_sd": row.stated,
                "overall": _spread(row.overall),
                "repeatability": _spread(row.repeatability),
                "specimens": _components(row.specimens),
                "throwers": _components(row.throwers),
            }
            for row in rows
        },
        "notes": list(notes),
    }


def files_of(
    outcomes: Sequence[study.Outcome], rows: Sequence[study.Repeated], record: dict[str, Any]
) -> dict[str, bytes]:
    """Every answer file by name."""
    from lashwave.answers import register
    from lashwave.report import compare_page, export, figures_study

    long = [
        [row.name, o.trial, o.specimen, o.thrower, row.values[i], row.sds[i], row.unit,
         row.reasons[i]]
        for row in rows
        for i, o in enumerate(outcomes)
    ]  # fmt: skip
    flat = [
        [row.name, row.unit, row.present, len(row.values), row.mean, row.median, row.stated]
        + [x for s in (row.overall, row.repeatability, row.specimens.between, row.throwers.between)
           for x in (s.sd, s.low95, s.high95)]
        for row in rows
    ]  # fmt: skip
    ends = [f"{what}_{end}" for what in ("overall", "repeatability", "specimens", "throwers")
            for end in ("sd", "low95", "high95")]  # fmt: skip
    wanted = [entry.name for entry in register.entries() if entry.headline]
    figure = figures_study.strips(compare_page.strips(record, wanted), [o.trial for o in outcomes])
    return {
        "comparison.csv": export.table_file(
            ["quantity", "trial", "specimen", "thrower", "value", "sd", "unit", "reason"], long
        ),
        "spread.csv": export.table_file(
            ["quantity", "unit", "present", "of", "mean", "median", "stated_sd", *ends], flat
        ),
        "comparison.html": compare_page.page(record, figure).encode(),
        "comparison.svg": export.figure_file(figure, "svg"),
        "comparison.pdf": export.figure_file(figure, "pdf"),
        "comparison.json": (to_json.dumps(record, indent=1, allow_nan=False) + "\n").encode(),
    }


def _print(
    outcomes: Sequence[study.Outcome],
    rows: Sequence[study.Repeated],
    notes: Sequence[str],
    out: Path,
) -> None:
    from lashwave.report import HEADINGS, cells

    listed = [[str(i + 1), o.trial, o.specimen or "–", o.thrower or "–"]
              for i, o in enumerate(outcomes)]  # fmt: skip
    console.table("Trials", ["", "trial", "specimen", "thrower"], listed)
    quantities = record_of(outcomes, rows, notes)["quantities"]
    console.table("Answers over the trials, standard deviations", list(HEADINGS),
                  [cells(name, q) for name, q in quantities.items()])  # fmt: skip
    for note in notes:
        console.say(note)
    console.say(f"Comparison: {out / 'comparison.html'}, {out / 'comparison.json'}")
