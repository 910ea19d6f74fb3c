"""`lashwave parameters`: the law's scales from one trial or several of one specimen."""

from __future__ import annotations

import json as to_json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from lashwave import __version__, files, quantities, report, study
from lashwave.files import folders
from lashwave.pipeline import Progress, console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import Answers, Json, Quiet, check_trials

SCHEMA = 1
KEPT = "kept"
"""Folder in --out of what was computed of each trial, so that a stopped run goes on."""
FILES = frozenset({
    KEPT, "parameters.json", "parameters.csv", "correlations.csv", "profiles.csv", "profiles.svg",
    "profiles.pdf", "parameters.html",
})  # fmt: skip
TITLES = {
    "drag_normal": "drag across the line",
    "drag_tangential": "drag along the line",
    "drag_tuft": "drag of the tuft",
    "stiffness_scale": "bending stiffness",
    "damping_time": "damping of bending",
}


@dataclass(frozen=True)
class LawFound:
    """What several trials say of one line's law."""

    trials: tuple[str, ...]
    known: study.Known
    estimate: study.ScaleEstimate
    telling: study.Telling


def parameters(
    trials: Annotated[
        list[Path],
        Parameter(name="TRIALS", help="Folders with trial.toml, or what `campaign` wrote."),
    ],
    /,
    *,
    out: Answers,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Estimate drag, damping and bending stiffness from one trial or several of one specimen.

    Says which of them the sightings tell apart, with profile likelihoods. Takes two minutes a
    trial; what was computed is kept in --out, so that a run that was stopped goes on where it was.
    Takes what `campaign` wrote, too: then from all its finished throws.
    """
    from lashwave.workbench.model_files import of_campaign

    trials, _ = of_campaign(trials, [])
    check_trials(trials, out)
    folders.check_new_folder(out, known=FILES, option="--out")
    with console.progress(quiet) as progress:
        return run(trials, out, progress, as_json=json)


def run(trials: Sequence[Path], out: Path, show: Progress, *, as_json: bool) -> int:
    """Estimate the scales from trial folders, write them to `out`, print them."""
    files.sweep(out)
    files.sweep(out / KEPT)
    read = _read(trials, show)
    crosses = []
    for i, trial in enumerate(read):

        def part(share: float, i: int = i, name: str = trial.name) -> None:
            show(f"{name} ({i + 1} of {len(read)})", 0.02 + 0.94 * (i + share) / len(read))

        crosses.append(_likelihood(trial, out / KEPT, part))
    show("parameters", 0.97)
    found = together(read, crosses)
    files.write_files(out, files_of(found), others=True)
    if as_json:
        console.say(to_json.dumps(record_of(found), indent=1, allow_nan=False))
    else:
        _print(found, out)
    return 0


def together(trials: Sequence[quantities.Trial], crosses: Sequence[study.Cross]) -> LawFound:
    """The common scales of trials of one line, from each trial's likelihood."""
    import numpy as np

    known = study.known_of(trials[0])
    estimate = study.estimated(tuple(crosses), known)
    sd = np.sqrt(np.diag(estimate.covariance))
    said = study.telling(estimate.names, estimate.information, known.sd, sd)
    return LawFound(tuple(trial.name for trial in trials), known, estimate, said)


def _read(folders: Sequence[Path], show: Progress) -> list[quantities.Trial]:
    """The trials; raises InputError where they are not of one line."""
    from lashwave.pipeline import read_usable

    trials: list[quantities.Trial] = []
    for folder in folders:
        trial = read_usable(folder, lambda stage, share: show(stage, 0.02 * share))
        if trials and not _same_line(trials[0], trial):
            raise InputError(
                folder / "trial.toml", f"its line is not that of {folders[0]}",
                "give trials of one specimen, with the same table, tuft and static tests",
                field="line",
            )  # fmt: skip
        if any(trial.hashes == other.hashes for other in trials):
            problem = "is given twice, or is a copy of another trial given"
            raise InputError(folder, problem, "give each trial once")
        trials.append(trial)
    return trials


def _same_line(a: quantities.Trial, b: quantities.Trial) -> bool:
    """Whether two trials' lines are described alike, whatever markers are on them."""

    def described(trial: quantities.Trial) -> tuple[Any, ...]:
        line = trial.line
        columns = (line.station, line.diameter, line.linear_density, line.bending_stiffness)
        table = tuple(None if c is None else c.tobytes() for c in columns)
        # A missing sd of a droop is nan, which equals nothing; its text does.
        return (*table, line.handle_length, line.ends, line.tuft, repr(line.droops))

    return described(a) == described(b)


def _likelihood(trial: quantities.Trial, folder: Path, show: Any) -> study.Cross:
    from threadpoolctl import threadpool_limits

    from lashwave.estimate import Options

    facts = [__version__, SCHEMA, sorted(trial.hashes.items()), repr(Options())]
    key = sha256(to_json.dumps(facts).encode()).hexdigest()[:16]

    def get(what: str) -> dict[str, Any] | None:
        return files.kept_arrays(folder / f"{key}-{what}.npz")

    def put(what: str, arrays: dict[str, Any]) -> None:
        files.keep_arrays(folder / f"{key}-{what}.npz", arrays)

    with threadpool_limits(limits=1, user_api="blas"):
        return study.likelihood_of(trial, get, put, show)


def record_of(found: LawFound) -> dict[str, Any]:
    """The content of parameters.json: scales are ratios, fitted over stated."""
    import numpy as np

    estimate, said = found.estimate, found.telling
    sd = np.sqrt(np.diag(estimate.covariance))
    value = np.exp(estimate.mean)
    low, high = np.exp(estimate.low95), np.exp(estimate.high95)
    return {
        "schema": SCHEMA,
        "program_version": __version__,
        "trials": list(found.trials),
        "quantities": {
            name: {
                "value": float(value[i]),
                "sd": float(value[i] * sd[i]),
                "low95": float(low[i]),
                "high95": float(high[i]),
                "unit": "1",
                "log_sd_by_sightings_alone": _finite(said.alone[i]),
                "log_sd_before": float(found.known.sd[i]),
                "log_sd_doubt": float(estimate.model_sd[i]),
            }
            for i, name in enumerate(estimate.names)
        },
        "correlation": (estimate.covariance / np.outer(sd, sd)).tolist(),
        "correlation_by_sightings_alone": [[_finite(x) for x in row] for row in said.correlation],
        "information": {
            "matrix": estimate.information.tolist(),
            "rank": said.rank,
            "condition": _finite(said.condition),
            "directions_told": said.resolved,
            "directions": [
                {
                    "words": d.words,
                    "components": d.components.tolist(),
                    "sd_over_prior": _finite(d.sd),
                }
                for d in said.directions
            ],
        },
        "statements": list(said.statements),
        "shifts": [[_finite(x) for x in row] for row in estimate.shift],
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def files_of(found: LawFound) -> dict[str, bytes]:
    """Every answer file by name."""
    import numpy as np

    from lashwave.report import export, figures_study, parameters_page

    record = record_of(found)
    names = found.estimate.names
    quantities = record["quantities"]
    figure = figures_study.profiles(parameters_page.curves(names, TITLES, found.estimate))
    profile_rows = [
        [name, float(np.exp(x)), float(d), float(p)]
        for name, one in zip(names, found.estimate.profiles, strict=True)
        for x, d, p in zip(one.scale, one.data, one.posterior, strict=True)
    ]
    columns = list(next(iter(quantities.values())))
    return {
        "parameters.csv": export.table_file(
            ["parameter", *columns], [[n, *q.values()] for n, q in quantities.items()]
        ),
        "correlations.csv": export.table_file(
            ["of", "parameter", *names],
            [
                [what, name, *row]
                for what in ("correlation", "correlation_by_sightings_alone")
                for name, row in zip(names, record[what], strict=True)
            ],
        ),
        "profiles.csv": export.table_file(
            ["parameter", "fitted_over_stated", "rise_sightings_alone", "rise_posterior"],
            profile_rows,
        ),
        "parameters.html": parameters_page.page(record, TITLES, figure).encode(),
        "profiles.svg": export.figure_file(figure, "svg"),
        "profiles.pdf": export.figure_file(figure, "pdf"),
        "parameters.json": (to_json.dumps(record, indent=1, allow_nan=False) + "\n").encode(),
    }


def _print(found: LawFound, out: Path) -> None:
    rows = []
    for name, q in record_of(found)["quantities"].items():
        answer = quantities.Answer(q["value"], "1", q["sd"], q["low95"], q["high95"])
        alone = q["log_sd_by_sightings_alone"]
        shown = "not held" if alone is None else f"{alone:.2g}"
        rows.append([name, report.numbers.with_sd(answer), report.numbers.interval(answer), shown,
                     f"{q['log_sd_before']:.2g}"])  # fmt: skip
    headings = ["fitted over stated", "value", "95 %", "log sd, sightings", "log sd, before"]
    console.table(f"Parameters from {', '.join(found.trials)}", headings, rows)
    said = found.telling
    console.say(f"Information matrix: rank {said.rank} of {len(found.estimate.names)}, "
                f"condition {said.condition:.2g}")  # fmt: skip
    for line in said.statements:
        console.say(line)
    console.say(f"Answers: {out / 'parameters.html'}, {out / 'parameters.json'}")
