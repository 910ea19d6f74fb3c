"""`lashwave rank`: models ranked by what they predict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave import estimate, files, mechanics, quantities, report, study
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench import model_files as io
from lashwave.workbench.shared_options import DONE, Out, Quiet, flag

FILES = frozenset(
    {"models.csv", "throws.csv", "forecasts.csv", "held-out.csv", "models.svg", "models.png"}
)
SCALES = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")


@dataclass(frozen=True)
class Ranking:
    """Of several trials."""

    trials: tuple[str, ...]
    errors: tuple[study.Errors, ...]
    differences: tuple[study.Difference, ...]
    held_out: tuple[study.HeldOut, ...]
    """By trial; empty without refits."""


def rank(
    trials: Annotated[
        list[Path],
        Parameter(name="TRIALS", help="Folders with trial.toml, or what `campaign` wrote."),
    ],
    /,
    *,
    out: Out,
    answers: Annotated[
        list[Path] | None,
        Parameter(help="What `reconstruct` wrote for each, in order.", negative=""),
    ] = None,
    horizon: Annotated[float, Parameter(help="Of one forecast [s].")] = 20e-3,
    refit: Annotated[bool, flag("Refit every model without some sightings; minutes.")] = False,
    quiet: Quiet = False,
) -> int:
    """Rank models of the forces by what they predict, with standard errors of the differences.

    With several trials, each one's forecasts use the law fitted to the others, and models get
    standard errors across throws and weights by which they predict best together.
    """
    trials, answers = io.of_campaign(trials, answers or [])
    if len(answers) != len(trials):
        raise InputError(
            "--answers", f"{len(answers)} for {len(trials)} trials", "name one for each"
        )
    if not 1e-3 <= horizon <= 1.0:
        raise InputError("--horizon", f"{horizon:g} s", "ask for 0.001 to 1 s")
    for trial in trials:
        folders.check_trial_folder(trial)
        folders.check_apart(out, trial)
    folders.check_new_folder(
        out, known=FILES, option="--out", inputs=[a / "motion.nc" for a in answers]
    )
    with console.progress(quiet) as progress:
        ranking = run(trials, answers, horizon, refit, progress)
    files.replace_folder(out, lambda folder: write(folder, ranking))
    show(ranking, out)
    return DONE


def run(
    trials: Sequence[Path],
    answers: Sequence[Path],
    horizon: float,
    refit: bool,
    show: console.Progress,
) -> Ranking:
    """Read, forecast and, if asked, refit every trial."""  # fmt: skip
    read = [io.read(trial, answer) for trial, answer in zip(trials, answers, strict=True)]
    found, held = [], []
    for i, (trial, setup, seen, shared) in enumerate(read):
        laws = [s for j, (_, _, _, s) in enumerate(read) if j != i] or [shared]
        models = list(study.rivals(setup, mechanics.Law.scaled(_mean(laws))))
        stated = mechanics.Law()
        models.insert(1, study.Rival("law as stated", stated, models[0].medium, setup.chain))
        found.append(
            study.forecast_errors(setup, seen, models, study.Windows(horizon=horizon), show)
        )
        if refit:
            held.append(study.compare(trial, _estimate, show))
    return Ranking(
        tuple(t.name for t, *_ in read), tuple(found), tuple(study.differences(found)), tuple(held)
    )


def _estimate(trial: quantities.Trial) -> quantities.Fit:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        return estimate.estimate(trial, replace(estimate.Options(), draws=100))


def _mean(laws: Sequence[dict[str, float]]) -> dict[str, float]:
    """Geometric means of the scales that all of them state."""
    import numpy as np

    common = [name for name in SCALES if all(name in law for law in laws)]
    return {n: float(np.exp(np.mean([np.log(law[n]) for law in laws]))) for n in common}


def held_differences(held: Sequence[study.HeldOut]) -> list[tuple[str, float, float, str]]:
    """Each model's log score less the whole model's, its standard error, over all trials, and why
    it has none where a trial could not be fitted by it."""
    import numpy as np

    found = []
    for name in dict.fromkeys(n for h in held for n in (*h.scores, *h.failed)):
        if name == "whole":
            continue
        why = next((h.failed[name] for h in held if name in h.failed), "")
        each = [h.scores[name] - h.scores["whole"] for h in held if name in h.scores]
        score = (np.nan, np.nan) if why else study.paired(np.concatenate(each))
        found.append((name, *score, why))
    return found


def write(folder: Path, ranking: Ranking) -> None:
    """models.csv, forecasts.csv, held-out.csv where models were refitted, and a figure."""
    import numpy as np

    rows = [(d.name, d.log_ratio, d.error, d.score, d.forecasts, d.failed)
            for d in ranking.differences]  # fmt: skip
    io.save_csv(
        folder / "models.csv",
        ["model", "log_error_ratio", "standard_error", "standard_errors_worse", "forecasts",
         "failed"],
        rows,
    )  # fmt: skip
    io.save_csv(
        folder / "throws.csv",
        ["model", "log_score_less_first", "standard_error", "throws_better", "stacking_weight"],
        [(s.name, s.score, s.error, s.better, s.weight) for s in study.standings(ranking.errors)],
    )
    io.save_csv(
        folder / "forecasts.csv",
        ["trial", "start [s]", "block", "model", "rms [m]"],
        (
            (name, e.start[w], e.block[w], model, e.rms[m, w])
            for name, e in zip(ranking.trials, ranking.errors, strict=True)
            for m, model in enumerate(e.names)
            for w in range(e.start.size)
        ),
    )
    if ranking.held_out:
        io.save_csv(
            folder / "held-out.csv",
            ["model", "log_score_less_whole", "standard_error", "not_fitted_because"],
            held_differences(ranking.held_out),
        )  # fmt: skip
    io.save_figure(
        report.figures_study.ranks(
            [d.name for d in ranking.differences],
            np.array([d.log_ratio for d in ranking.differences]),
            np.array([d.error for d in ranking.differences]),
        ),
        folder / "models",
    )


def show(ranking: Ranking, out: Path) -> None:
    """Size of the errors, then each model against the whole one."""
    import numpy as np

    for name, e in zip(ranking.trials, ranking.errors, strict=True):
        low, middle, high = 1e3 * np.nanquantile(e.rms[0], [0.1, 0.5, 0.9])
        console.say(
            f"{name}: {np.isfinite(e.rms[0]).sum()} forecasts; error of the whole model "
            f"{middle:.2f} mm in the median, {low:.2f} to {high:.2f} for the middle 80 %"
        )
    for d in ranking.differences:
        console.say(d.sentence())
    if len(ranking.errors) > 1:
        rows = [
            [s.name, f"{s.score:+.3f}", f"{s.error:.2g}", f"{s.better} of {len(ranking.errors)}",
             f"{s.weight:.2f}"]
            for s in study.standings(ranking.errors)
        ]  # fmt: skip
        console.table(
            "Over the throws: log score of a coordinate, less the first model's",
            ["model", "score", "standard error", "better in", "stacking weight"], rows,
        )  # fmt: skip
    if ranking.held_out:
        console.say("refitted without some sightings, log score of these:")
        for name, total, error, why in held_differences(ranking.held_out):
            if why:
                console.say(f"{name}: no motion was found by it ({why})")
                continue
            word = "worse" if total < 0 else "better"
            verdict = (
                f"predicts {word}" if abs(total) > study.LIKELY * error else "the data cannot tell"
            )
            console.say(f"{name}: {verdict} ({total:+.1f} +- {error:.1f} against the whole model)")
    console.say(f"written: {out}")
