"""The answers of a long record, from pieces of its draws.

A draw is one motion over all pieces, so what it says of the record follows from what it says of
each, by a rule that is exact: its greatest speed is the greatest of its pieces', its first sonic
moment the first of theirs, its impulse their vector sum, its losses their sums, so that what the
draws of all pieces share stays shared. What belongs to a crack (its extensions, the fold's run, the
order of events, the tip's acceleration) is of the piece in which the draw's tip is fastest. Pieces
are cut where the tip is slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lashwave.answers import (
    account,
    all as every,
    bend,
    crack,
    energy,
    extension,
    fold,
    lists,
    momentum,
    order,
    pull,
    tip,
)
from lashwave.answers.account import AccountDraws
from lashwave.answers.amplify import parts
from lashwave.answers.extension import Extensions
from lashwave.answers.facts import Facts
from lashwave.answers.fold import Run
from lashwave.mechanics import Chain
from lashwave.quantities import (
    Answer,
    Array,
    Draws,
    Fit,
    FrontBirths,
    Index,
    Moments,
    Single,
    SonicDraws,
    TipDraws,
    Trial,
)  # fmt: skip

if TYPE_CHECKING:
    import xarray as xr

_SO_FAR = ("potential", "drag", "tuft", "damping")
"""Of the account, what counts from a first time on."""
_NOW = ("kinetic", "bending", "torque")
"""And of each moment; momenta are told by lists alone."""


@dataclass(frozen=True)
class PieceFacts:
    """What draws say of one piece, that of the time after it included."""

    time: Array
    """(k + 1,) [s]"""
    tip: TipDraws
    anywhere: Array
    sonic: SonicDraws
    rise: Array
    hard: Array
    stretched: Extensions
    turns: Array
    pulls: tuple[Single, Single]
    """(D, k + 1) [N]"""
    impulse: Array
    """(D, 3) [N s]"""
    power: Single
    """(D, k + 1) [W]"""
    kinetic: Single
    """(D, k + 1) [J]"""
    account: AccountDraws
    """Without fluxes."""
    runs: list[Run | None]
    shares: Array


class Gathering:
    """Takes the pieces of a record's draws, in any order, and answers when it has them all."""

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        self.found: list[PieceFacts] = []
        self.moments: Moments | None = None
        """Of the piece that was taken last."""
        self.station = np.empty(0)
        self.shared: dict[str, Array] = {}

    def take(self, draws: Draws, around: Draws | None = None, before: int = 0) -> xr.Dataset:
        """Keep what a piece says; returns its lists that each moment has by itself.

        Parameters
        ----------
        around : the same draws with some times more to either side, by which the bend's speed is
            known up to the piece's ends; None where there are none.
        before : number of the piece's first time among these.
        """
        trial, line = self.trial, self.trial.line
        self.station, self.shared = draws.station, draws.shared
        m, few = every.moments_at(trial, draws), self.few
        self.moments = m
        bends = bend.bends_of(around or draws, line.handle_length, few)
        bends = bend.at_times(bends, slice(before, before + draws.time.size))
        unknown = np.full(draws.hand_power.shape, np.nan)
        table = lists.over_time_and_station(draws, m.speed, m.sound[0], bends, unknown)
        own = account.booked(trial, draws, few, 0.0 * draws.hand_power)
        lists.put_moments(table, own, line)
        peak, chain = m.tip.peak_time, self.chain
        runs = fold.runs(draws, few, bends, line.handle_length, peak)
        grip, past = pull.pulls(draws, line)
        self.found.append(
            PieceFacts(
                draws.time, m.tip, tip.peak_anywhere(draws, m.speed, m.tip.jitter), m.sonic,
                crack.rise_at(draws, m.sonic.time, trial.gravity),
                crack.peak_acceleration(draws, peak), extension.extensions_of(draws, peak),
                order.tip_turns(draws, peak), (_single(grip), _single(past)),
                momentum.hand_impulse(draws), _single(draws.hand_power),
                _single(draws.kinetic_energy), _kept(own), runs,
                parts(draws, few, runs, chain, peak),
            )
        )  # fmt: skip
        return table

    @property
    def few(self) -> Index:
        """(n,), the draws that have an account, the same in every piece."""
        count = next(iter(self.shared.values())).size
        most = min(count, account.FEWEST_DRAWS)
        return np.unique(np.linspace(0, count - 1, most).astype(np.intp))

    @property
    def chain(self) -> Chain:
        """The line cut at the draws' stations."""
        return account.chain_of(self.trial, self.station)

    def close(
        self, fit: Fit, births: dict[str, FrontBirths] | None = None
    ) -> tuple[dict[str, Answer], xr.Dataset, list[str]]:
        """Answers, the lists that count from the record's first time on, and warnings.

        fit : whose draws tell the shared parameters.
        """
        import xarray as xr

        self.found.sort(key=lambda p: float(p.time[0]))
        time = joined([p.time for p in self.found], 0)
        power = joined([p.power for p in self.found])
        work = energy.with_work_error(energy.work_so_far(time, power))
        own = account.balanced(self._account(work[self.few]), self.shared, self.few)
        table = xr.Dataset(coords={"time": time, "station": self.station})
        if np.isfinite(work).any():
            lists.put(table, "hand_work", ("time",), work)
        lists.put_so_far(table, own)
        facts = self._facts(fit, time, work, own)
        answers, said = every.answers_from(self.trial, fit, facts, table, births)
        return answers, table, said

    def series(self) -> tuple[Array, Array]:
        """The hand's power [W] and the kinetic energy [J] of all draws at all times, (D, K)."""
        self.found.sort(key=lambda p: float(p.time[0]))
        return (
            joined([p.power for p in self.found]),
            joined([p.kinetic for p in self.found]),
        )

    def _account(self, work: Array) -> AccountDraws:
        """The account of the whole record; work (n, K) [J], the hand's so far."""
        pieces = [p.account for p in self.found]
        whole: dict[str, Any] = {name: joined([getattr(p, name) for p in pieces]) for name in _NOW}
        whole |= {name: _in_turn([getattr(p, name) for p in pieces]) for name in _SO_FAR}
        stored = whole["kinetic"] + whole["potential"] + whole["bending"]
        lost = whole["drag"] + whole["tuft"] + whole["damping"]
        by_station = np.sum([p.drag_by_station for p in pieces], axis=0)
        return replace(
            pieces[0], **whole, hand_work=work, drag_by_station=by_station,
            unexplained=work - (stored - stored[:, :1] + lost),
        )  # fmt: skip

    def _facts(self, fit: Fit, time: Array, work: Array, own: AccountDraws) -> Facts:
        """Those of the whole record, merged."""
        found, trial = self.found, self.trial
        best = np.argmax([p.tip.peak for p in found], axis=0)

        def fastest(values: list[Array]) -> Array:
            return np.stack(values)[best, np.arange(best.size)]

        of_tip = TipDraws(
            *(fastest([getattr(p.tip, f.name) for p in found]) for f in fields(TipDraws))
        )
        of_tip = replace(of_tip, over_span=np.nanmax([p.tip.over_span for p in found], axis=0))
        sonic, rise = first_sonic(found)
        stretched = Extensions(
            fastest([p.stretched.full for p in found]),
            fastest([p.stretched.earlier for p in found]),
        )
        turns = fastest([p.turns for p in found])
        peaks = [
            pull.peak_pull(time, joined([p.pulls[i] for p in found]), of_tip.peak_time)
            for i in range(2)
        ]
        m = self.moments
        assert m is not None  # a piece was taken
        return Facts(
            m.sound, m.sounds, of_tip, np.max([p.anywhere for p in found], axis=0), sonic,
            float(np.diff(self.station).max()), rise, fastest([p.hard for p in found]), stretched,
            order.events(trial, fit.draws, turns, sonic.time, of_tip.peak_time, stretched.full),
            (peaks[0], peaks[1]), np.sum([p.impulse for p in found], axis=0), work[:, -1],
            self._peak_kinetic(account.excess(own)), own, self.chain,
            [found[best[d]].runs[i] for i, d in enumerate(self.few)],
            np.stack([found[best[d]].shares[i] for i, d in enumerate(self.few)]),
            (float(time[0]), float(time[-1])),
        )  # fmt: skip

    def _peak_kinetic(self, excess: Array) -> Array:
        """(n,) [J], greatest of the pieces'; excess (n, K) [J] as `account.excess` has it."""
        first, most = 0, []
        for p in self.found:
            own = excess[:, first : first + p.time.size]
            kinetic = p.kinetic[self.few].astype(float)
            most.append(energy.peak_kinetic_energy(p.time, kinetic, own))
            first += p.time.size - 1
        return np.asarray(np.max(most, axis=0))


def _single(values: Array) -> Single:
    return np.asarray(values, dtype=np.float32)


def _kept(own: AccountDraws) -> AccountDraws:
    """What of a piece's account is waited with, in single precision.

    Fluxes and momenta are lists of each moment; what is unexplained follows from the rest and the
    hand's work.
    """
    flat, solid = np.zeros((0, 0)), np.zeros((0, 0, 0))
    none = _single(solid)
    light: dict[str, Any] = {name: _single(getattr(own, name)) for name in (*_NOW, *_SO_FAR)}
    return replace(
        own, **light, momentum_flux=none[..., None], energy_flux=none, momentum=solid,
        angular=solid, hand_work=flat, unexplained=flat,
    )  # fmt: skip


def joined(values: Sequence[NDArray[np.floating]], axis: int = 1) -> Array:
    """Pieces one after the other, of any unit and shape; the time that two share is taken once."""
    cut = [np.take(v, np.arange(v.shape[axis] - 1), axis) for v in values[:-1]]
    return np.asarray(np.concatenate([*cut, values[-1]], axis=axis), dtype=float)


def _in_turn(values: list[Array]) -> Array:
    """The same of what each piece counts from its own first time on, from the record's first."""
    done: list[Array] = []
    for own in values:
        so_far = done[-1][:, -1:] if done else 0.0
        done.append(own - own[:, :1] + so_far)
    return joined(done)


def first_sonic(found: list[PieceFacts]) -> tuple[SonicDraws, Array]:
    """Each draw's first sonic moment over pieces in time, and the line's angle then (D,) [rad].

    nan where it has none.
    """
    known = np.isfinite([p.sonic.time for p in found])
    first = known.argmax(axis=0)
    rows = np.arange(first.size)

    def of_first(values: list[Array]) -> Array:
        return np.stack(values)[first, rows]

    sonic = SonicDraws(
        *(of_first([getattr(p.sonic, f.name) for p in found]) for f in fields(SonicDraws))
    )
    return sonic, of_first([p.rise for p in found])
