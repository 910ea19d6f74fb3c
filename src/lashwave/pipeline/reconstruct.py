"""The walk of one trial through the rooms: sightings, motion, answers, pages, files."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, is_dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave.pipeline.aside import aside
from lashwave.pipeline.believable import believable
from lashwave.pipeline.console import Progress, silent
from lashwave.pipeline.health import cautions
from lashwave.pipeline.long_trial import (
    ANSWERED as ANSWERED_LONG,
    reconstruct_long,
    window_for,
    with_time_left,
)
from lashwave.quantities import Answer, Fit, Foretold, FrontBirths, InputError, Trial

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
    """The motion that fits a trial and the answers it gives, as `reconstructed` has them.

    Parameters
    ----------
    progress : called with a stage and the share done.
    options : `lashwave.estimate.Options`; its defaults where None.

    Returns
    -------
    fit : with the warnings of reading, fitting and answering, each once.
    answers : by the names of `summary.json`.
    lists : the content of `answers.nc`.

    Raises
    ------
    NotConvergedError : no motion can be believed.
    """
    found = reconstructed(trial, progress, options)
    return found.fit, found.answers, found.lists


def reconstructed(
    trial: Trial, progress: Progress | None = None, options: Any = None
) -> Reconstruction:
    """The motion that fits a trial and the answers it gives; touches no disk.

    The trial that comes back ends where the motion can no longer be believed.

    Parameters
    ----------
    progress : called with a stage and the share done.
    options : `lashwave.estimate.Options`; its defaults where None.

    Raises
    ------
    NotConvergedError : no motion can be believed.
    """
    from threadpoolctl import threadpool_limits

    from lashwave.answers import answer, depending, moments_of
    from lashwave.estimate import Options

    show = progress or silent
    said: list[str] = []
    sent: dict[str, Answer] = {}
    births: dict[str, FrontBirths] = {}
    # Blocks of some hundred rows: several BLAS threads are slower than one, under load by far.
    with threadpool_limits(limits=1, user_api="blas"):
        trial, fit = believable(trial, Options() if options is None else options, show)
        show("answers", 1.0)
        moments = moments_of(trial, fit)
        if trial.onsets or any(c.fronts is not None for c in trial.cameras):
            from lashwave.emission import emitted

            show("fronts and sounds", 1.0)
            sent, births, said = emitted(trial, fit.draws, moments)
            said += cautions(trial)
        answers, lists, warnings = answer(trial, fit, moments, births)
        fit = replace(fit, motions=depending(trial, fit))
        said += [fit.motions.of_answers()] if fit.motions else []
    every = (*trial.notes, *fit.warnings, *warnings, *said)
    fit = replace(fit, warnings=tuple(dict.fromkeys(every)))
    return Reconstruction(trial, fit, answers | sent, lists)


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
    window: float | None = None,
    threads: int | None = 1,
) -> Reconstruction:
    """Read a trial folder, reconstruct it, and write the answers to `out` as a whole.

    Parameters
    ----------
    withhold : sightings to leave out and to foretell, as `lashwave reconstruct --help` has them.
    window : length of the windows in which a long record is taken [s]; 0 takes it at once, None
        leaves that to the record's length.
    threads : that the work is shared among; what comes out is the same. None takes as many as
        LASHWAVE_THREADS in the environment names, or one for each processor.

    Raises InputError, with nothing written, where the trial cannot be used.
    """
    from lashwave.mechanics import chosen_threads, on_threads

    with on_threads(threads or chosen_threads()):
        return _reconstructed_folder(folder, out, progress or silent, options, withhold, window)


def _reconstructed_folder(
    folder: Path,
    out: Path,
    show: Progress,
    options: Any,
    withhold: tuple[str, ...],
    window: float | None,
) -> Reconstruction:
    trial = read_usable(folder, show)
    hidden = None
    if withhold:
        trial, hidden = without_sightings(trial, withhold)
    length = window_for(trial, window)
    if length is not None:
        return _in_windows(trial, out, length, show, options, hidden)

    def within(stage: str, share: float) -> None:
        show(stage, READ + (FITTED - READ) * share)

    done = reconstructed(trial, within, options)
    if hidden is not None:
        done = replace(done, fit=held_against(done.fit, hidden))
    write(done, out, show, options)
    return done


def _in_windows(
    trial: Trial, out: Path, window: float, show: Progress, options: Any, hidden: Hidden | None
) -> Reconstruction:
    """A long record without the sightings `hidden`; window [s]."""

    def within(stage: str, share: float) -> None:
        show(stage, READ + (DRAWN - READ) * share)

    told = with_time_left(within)
    done, write_all = reconstruct_long(trial, out, window, told, options, hidden)
    told("report", ANSWERED_LONG)
    found = Reconstruction(done.trial, done.fit, done.answers, done.lists)
    files = _report_files(found, {**_as_record(options), "window": window, **_left_out(hidden)})
    show("writing", DRAWN)
    with _writable(out):
        write_all(files, done.fit)
    show("done", 1.0)
    return found


def write(
    done: Reconstruction, out: Path, progress: Progress | None = None, options: Any = None
) -> None:
    """Draw the report and write every file of the answers (`docs/trial-folder.md`), all or none.

    Raises InputError where the folder cannot be written.
    """
    from lashwave.files import packed_results, write_files
    from lashwave.mechanics import threads

    show = progress or silent
    record = _as_record(options) | _left_out(done.fit.foretold)
    place = out.resolve()  # a link that the user made stays, and the folder it names is replaced
    show("report", ANSWERED)
    with aside(partial(_report_files, done, record), alone=threads() == 1) as pages:
        packed = packed_results(done.fit, done.answers, done.lists, done.trial, record)
        files = pages()
    show("writing", DRAWN)
    with _writable(out):
        write_files(place, packed | files)
    show("done", 1.0)


def _report_files(done: Reconstruction, record: dict[str, Any]) -> dict[str, bytes]:
    """The report and its figures, by name."""
    from lashwave.report import page, paper

    content = page.compose(
        done.trial, done.fit, done.answers, done.lists, done.fit.warnings, record
    )
    files = {"report.html": page.render(content).encode(), "report.pdf": paper.render(content)}
    for figure in content.figures:
        files[f"figures/figure-{figure.number:02d}.pdf"] = figure.pdf
        files[f"figures/figure-{figure.number:02d}.csv"] = figure.table.encode()
    return files


@contextmanager
def _writable(out: Path) -> Iterator[None]:
    """Raises InputError where the folder `out` cannot be written."""
    try:
        yield
    except PermissionError as refused:
        problem = f"{out} cannot be written ({refused.strerror})"
        raise InputError("--out", problem, "name a folder of your own") from refused


def _left_out(hidden: Hidden | Foretold | None) -> dict[str, Any]:
    """What was withheld, for the provenance of the answers."""
    return {} if hidden is None else {"withhold": list(hidden.asked)}


def _as_record(options: Any) -> dict[str, Any]:
    """The options in force, for the provenance of the answers."""
    if options is None:
        from lashwave.estimate import Options

        options = Options()
    return asdict(options) if is_dataclass(options) else dict(options)  # type: ignore[arg-type]
