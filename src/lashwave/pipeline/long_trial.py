"""A long trial from sightings to answers, with one piece of it in memory at a time.

Windows and steps that are finished are kept beside the answers, so that a run that was stopped goes
on; the answers' files are written piece by piece. The report, and what is returned, have the motion
thinned to what a page can show, and the draws of the piece in which the tip is fastest.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.pipeline.believable import as_far_as_believed
from lashwave.pipeline.console import Progress, silent
from lashwave.pipeline.expected import LONG, in_words
from lashwave.pipeline.health import cautions
from lashwave.quantities import Answer, Fit, FrontBirths, Residuals, Trial, chosen_times

if TYPE_CHECKING:
    import xarray as xr

    from lashwave.estimate import LongJoint, Piece
    from lashwave.pipeline.withholding import Hidden

WINDOW = 1.0
"""Length of these windows [s]."""
SHORTEST = 0.3
"""No window is shorter [s]: it must hold what the next one starts from."""
SHOWN = 2000
"""Times, about, of the motion in the report."""
SOLVED, DRAWN, ANSWERED = 0.80, 0.94, 0.96
"""Shares of the whole, as seen on swings of some seconds."""


def window_for(trial: Trial, asked: float | None) -> float | None:
    """Length of the windows [s] for a trial; None where it is taken as a whole.

    asked : [s]; None leaves it to the record's length, 0 asks for none.
    """
    if asked is None:
        times = trial.markers.time
        return WINDOW if float(times[-1] - times[0]) > LONG else None
    return max(asked, SHORTEST) if asked > 0.0 else None


@dataclass(frozen=True)
class LongDone:
    """What a long trial gave, as much of it as a report shows."""

    fit: Fit
    answers: dict[str, Answer]
    lists: xr.Dataset
    trial: Trial
    """Up to where the motion can be believed."""


def with_time_left(show: Progress) -> Progress:
    """The same, with an estimate of the time left from the time that the share done has taken."""
    begun: list[tuple[float, float]] = []

    def told(stage: str, share: float) -> None:
        now = time.monotonic()
        if not begun:
            begun.append((now, share))
        done = share - begun[0][1]
        if done > 0.02:
            left = (now - begun[0][0]) / done * (1.0 - share)
            stage = f"{stage}, {in_words(left)} left"
        show(stage, share)

    return told


def reconstruct_long(
    trial: Trial, out: Path, window: float, progress: Progress | None, options: Any,
    hidden: Hidden | None = None,
) -> tuple[LongDone, Callable[[dict[str, bytes], Fit], None]]:  # fmt: skip
    """The answers of a long trial, and what writes them to `out` with further files by name.

    Where the motion is lost on the way, they are of the record up to there.

    Parameters
    ----------
    window : [s].
    hidden : sightings that the trial was left without, to be foretold.

    Raises
    ------
    InputError : where what was begun of it cannot be kept beside `out`.
    NotConvergedError : where no motion can be believed, or that of too little of the record.
    """
    from dataclasses import asdict

    from threadpoolctl import threadpool_limits

    from lashwave.estimate import CutShelf, Options, judged, solved_long
    from lashwave.files import Begun, provenance, write_long_results

    show = progress or silent
    options = Options() if options is None else options
    left_out = {} if hidden is None else {"withhold": list(hidden.asked)}
    record = provenance(trial, {**asdict(options), "window": window, **left_out})
    out = out.resolve()  # a link that the user made stays, and the folder it names is replaced
    begun = Begun(out, record)

    def of_search(stage: str, share: float) -> None:
        show(stage, SOLVED * share)

    def found(short: Trial) -> LongDone:
        shelf = begun if short is trial else CutShelf(begun, short.markers.time, window)
        long = solved_long(short, options, window, of_search, shelf)
        residuals, said, hint = judged(long)
        stream = _Stream(short, long, begun.folder, record, hidden)
        try:
            stream.run(show)
            return stream.done(residuals, said, hint)
        finally:
            stream.end()

    with threadpool_limits(limits=1, user_api="blas"):
        short, done, said = as_far_as_believed(trial, found, show)
    done = replace(done, fit=replace(done.fit, warnings=(*said, *done.fit.warnings)))

    def write(files: dict[str, bytes], fit: Fit) -> None:
        write_long_results(out, begun.folder, fit, done.answers, files, short, record)
        begun.drop()

    return done, write


class _Stream:
    """The pieces of a record on their way into files and answers."""

    def __init__(
        self, trial: Trial, long: LongJoint, folder: Path, record: dict[str, str],
        hidden: Hidden | None,
    ) -> None:  # fmt: skip
        from lashwave.answers import Gathering
        from lashwave.estimate import Options
        from lashwave.pipeline.foretell import Foretelling

        off = trial.markers.stand_off
        self.foretelling = None if hidden is None else Foretelling(hidden, off, Options.seed)
        self.trial, self.long, self.record, self.folder = trial, long, record, folder
        self.gathering = Gathering(trial)
        self.files: Any = None
        time, node = long.path.time, long.path.bare
        speed = np.linalg.norm(np.gradient(node[:, -1], time, axis=0), axis=-1)
        self.fastest = int(speed.argmax())
        self.shown = chosen_times(time, speed, SHOWN)
        self.fields: list[Any] = []
        self.tables: list[xr.Dataset] = []
        self.draws: Any = None
        self.sent: dict[str, Answer] = {}
        self.births: dict[str, FrontBirths] = {}
        self.said: list[str] = []

    def run(self, show: Progress) -> None:
        """Take every piece, from the last to the first."""
        from lashwave.estimate import pieces

        count = self.long.path.time.size
        for piece in pieces(self.long):
            self._take(piece)
            share = 1.0 - piece.first / count
            show("draws and answers", SOLVED + (DRAWN - SOLVED) * share)

    def _take(self, piece: Piece) -> None:
        table = self.gathering.take(piece.draws, piece.around, piece.before)
        count = piece.last - piece.first
        if self.files is None:
            self.files = self._opened(piece)
        field = piece.field
        values = {name: getattr(field, name)[:count] for name in vars(field) if name != "station"}
        self.files.put_motion(piece.first, values)
        ends = np.unique([0, self._grip_end(piece), piece.draws.station.size - 1])
        self.files.put_draws(piece.first, piece.draws, ends, count)
        self.files.put_lists(piece.first, table, count)
        own = self.shown[(self.shown >= piece.first) & (self.shown < piece.last)] - piece.first
        self.fields.append({name: value[own] for name, value in values.items()})
        self.tables.append(table.isel(time=own))
        if self.foretelling is not None:
            begin, end = map(float, piece.draws.time[[0, -1]])
            closed = piece.last == self.long.path.time.size
            self.foretelling.take(piece.around, (begin, end), closed)
        if piece.first <= self.fastest < piece.last:
            self.draws = piece.draws
            self._emitted(piece)

    def _grip_end(self, piece: Piece) -> int:
        return int(np.abs(piece.draws.station - self.trial.line.handle_length).argmin())

    def _opened(self, piece: Piece) -> Any:
        from lashwave.files import LongAnswers

        draws = piece.draws.position.shape[0]
        return LongAnswers(
            self.folder, self.long.path.time, piece.field.station, draws, self.record
        )

    def _emitted(self, piece: Piece) -> None:
        """Fronts and sounds, of the piece in which the tip is fastest."""
        trial = self.trial
        if not trial.onsets and all(c.fronts is None for c in trial.cameras):
            return
        from lashwave.emission import emitted

        assert self.gathering.moments is not None  # this piece's
        sent, births, said = emitted(trial, piece.draws, self.gathering.moments)
        self.sent, self.births, self.said = sent, births, [*said, *cautions(trial)]

    def done(self, residuals: Residuals, said: tuple[str, ...], hint: str) -> LongDone:
        """Answers of the whole, and what a report shows."""
        import xarray as xr

        from lashwave.estimate import judged_work

        fit = self._fit(residuals)
        answers, late, warnings = self.gathering.close(fit, self.births)
        said += judged_work(self.long, *self.gathering.series(), hint)
        self.files.close(late)
        shown = xr.concat(self.tables[::-1], dim="time", data_vars="minimal", coords="minimal")
        now = late.isel(time=self.shown)
        lists = shown.merge(now, join="override", compat="override")
        every = (*self.trial.notes, *said, *warnings, *self.said)
        if self.foretelling is not None:
            from lashwave.pipeline.foretell import cautions as left_out

            foretold = self.foretelling.done()
            fit, every = replace(fit, foretold=foretold), (*left_out(foretold), *every)
        fit = replace(fit, warnings=tuple(dict.fromkeys(every)))
        return LongDone(fit, answers | self.sent, lists, self.trial)

    def _fit(self, residuals: Residuals) -> Fit:
        """The motion thinned, with the draws of one piece."""
        names = self.fields[0]
        field: dict[str, Any] = {
            n: np.concatenate([one[n] for one in self.fields[::-1]]) for n in names
        }
        shared = {
            name: (float(np.median(values)), float(values.std(ddof=1)))
            for name, values in self.draws.shared.items()
        }
        return Fit(
            time=self.long.path.time[self.shown], station=self.files.station, draws=self.draws,
            residuals=residuals, shared=shared, history=self.long.history,
            stand_off=self.trial.markers.stand_off, **field,
        )  # fmt: skip

    def end(self) -> None:
        """Close what is open."""
        if self.files is not None:
            self.files.end()
