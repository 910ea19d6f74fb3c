"""The walk of one trial through the rooms: sightings, motion, answers, pages, files."""

from __future__ import annotations

from dataclasses import asdict, dataclass, is_dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave.pipeline.console import Progress, silent
from lashwave.pipeline.health import cautions
from lashwave.quantities import Answer, Fit, FrontBirths, InputError, Trial

if TYPE_CHECKING:
    import xarray as xr

    from lashwave.pipeline.withholding import Hidden

# Shares of the whole, as seen on a trial of one second: the fit is nearly all of it.
READ, FITTED, ANSWERED, DRAWN = 0.02, 0.90, 0.93, 0.97


@dataclass(frozen=True)
class Reconstruction:
    """What one trial gave."""

    trial: Trial
    fit: Fit
    """Its warnings are all that a user must know: of reading, of the fit, of the answers."""
    answers: dict[str, Answer]
    lists: xr.Dataset


def reconstruct_trial(
    trial: Trial, progress: Progress | None = None, options: Any = None
) -> tuple[Fit, dict[str, Answer], xr.Dataset]:
    """The motion that fits a trial and the answers it gives; touches no disk.

    Parameters
    ----------
    progress : called with a stage and the share done.
    options : `lashwave.estimate.Options`; its defaults where None.

    Returns
    -------
    fit : with the warnings of reading, fitting and answering, each once.
    answers : by the names of `summary.json`.
    lists : the content of `answers.nc`.
    """
    from threadpoolctl import threadpool_limits

    from lashwave.answers import answer, moments_of
    from lashwave.estimate import Options, estimate

    show = progress or silent
    said: list[str] = []
    sent: dict[str, Answer] = {}
    births: dict[str, FrontBirths] = {}
    # Blocks of some hundred rows: several BLAS threads are slower than one, under load by far.
    with threadpool_limits(limits=1, user_api="blas"):
        fit = estimate(trial, Options() if options is None else options, show)
        show("answers", 1.0)
        moments = moments_of(trial, fit)
        if trial.onsets or any(c.fronts is not None for c in trial.cameras):
            from lashwave.emission import emitted

            show("fronts and sounds", 1.0)
            sent, births, said = emitted(trial, fit.draws, moments)
            said += cautions(trial)
        answers, lists, warnings = answer(trial, fit, moments, births)
    every = (*trial.notes, *fit.warnings, *warnings, *said)
    return replace(fit, warnings=tuple(dict.fromkeys(every))), answers | sent, lists


def read_usable(folder: Path, progress: Progress | None = None) -> Trial:
    """A trial folder with what its pictures show; raises InputError where it cannot be used."""
    from lashwave.files import read_pictures
    from lashwave.pipeline.checkup import refuse_unusable
    from lashwave.pipeline.labelled import labelled
    from lashwave.pipeline.locate import joined, search
    from lashwave.pipeline.moved_cameras import registered

    show = progress or silent
    show("reading", 0.0)
    pictures = registered(read_pictures(folder))[0]
    trial = labelled(pictures.trial)
    pictures = replace(pictures, trial=trial)
    if pictures.frames or pictures.sounds:
        trial = joined(pictures, search(pictures, lambda stage, share: show(stage, READ * share)))
    del pictures  # sound is held whole
    refuse_unusable(trial, folder / "trial.toml")
    return trial


def without_sightings(trial: Trial, asked: tuple[str, ...]) -> tuple[Trial, Hidden]:
    """The trial without what `asked` names, as `--withhold` has it, and what that was.

    Raises InputError where a wish is not understood, or too little is left.
    """
    from lashwave.pipeline import withholding
    from lashwave.pipeline.checkup import refuse_unusable

    left, hidden = withholding.withhold(trial, asked)
    refuse_unusable(left, f"{withholding.OPTION} {', '.join(asked)}")
    return left, hidden


def held_against(fit: Fit, hidden: Hidden) -> Fit:
    """The fit with what it says of the withheld sightings, its warnings first."""
    from lashwave.estimate import Options
    from lashwave.pipeline import foretell

    found = foretell.foretold(fit, hidden, Options.seed)
    return replace(fit, foretold=found, warnings=(*foretell.cautions(found), *fit.warnings))


def reconstruct_folder(
    folder: Path,
    out: Path,
    progress: Progress | None = None,
    options: Any = None,
    withhold: tuple[str, ...] = (),
) -> Reconstruction:
    """Read a trial folder, reconstruct it, and write the answers to `out` as a whole.

    Parameters
    ----------
    withhold : sightings to leave out and to foretell, as `lashwave reconstruct --help` has them.

    Raises InputError, with nothing written, where the trial cannot be used.
    """
    show = progress or silent
    trial = read_usable(folder, show)
    hidden = None
    if withhold:
        trial, hidden = without_sightings(trial, withhold)

    def within(stage: str, share: float) -> None:
        show(stage, READ + (FITTED - READ) * share)

    fit, answers, lists = reconstruct_trial(trial, within, options)
    if hidden is not None:
        fit = held_against(fit, hidden)
    done = Reconstruction(trial, fit, answers, lists)
    write(done, out, show, options)
    return done


def write(
    done: Reconstruction, out: Path, progress: Progress | None = None, options: Any = None
) -> None:
    """Draw the report and write every file of the answers (`docs/trial-folder.md`), all or none.

    Raises InputError where the folder cannot be written.
    """
    from lashwave.files import write_results
    from lashwave.report import page, paper

    show = progress or silent
    record = _as_record(options)
    if done.fit.foretold is not None:
        record["withhold"] = list(done.fit.foretold.asked)
    show("report", ANSWERED)
    content = page.compose(
        done.trial, done.fit, done.answers, done.lists, done.fit.warnings, record
    )
    files = {"report.html": page.render(content).encode(), "report.pdf": paper.render(content)}
    for figure in content.figures:
        files[f"figures/figure-{figure.number:02d}.pdf"] = figure.pdf
        files[f"figures/figure-{figure.number:02d}.csv"] = figure.table.encode()
    show("writing", DRAWN)
    place = out.resolve()  # a link that the user made stays, and the folder it names is replaced
    try:
        write_results(place, done.fit, done.answers, done.lists, files, done.trial, record)
    except PermissionError as refused:
        problem = f"{out} cannot be written ({refused.strerror})"
        raise InputError("--out", problem, "name a folder of your own") from refused
    show("done", 1.0)


def _as_record(options: Any) -> dict[str, Any]:
    """The options in force, for the provenance of the answers."""
    if options is None:
        from lashwave.estimate import Options

        options = Options()
    return asdict(options) if is_dataclass(options) else dict(options)  # type: ignore[arg-type]
