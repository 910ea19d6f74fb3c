"""What the draws of a motion say, draw by draw, before it becomes answers.

A motion that is held whole has its facts from all its draws at once (`facts_of`); one of a long
record from its pieces, merged (`long_facts`). The answers are the same function of either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.answers import account, crack, energy, extension, fold, momentum, order, pull, tip
from lashwave.answers.account import AccountDraws
from lashwave.answers.amplify import parts
from lashwave.answers.bend import Bends
from lashwave.answers.extension import Extensions
from lashwave.answers.fold import Run
from lashwave.mechanics import Chain
from lashwave.quantities import Array, Draws, Moments, SonicDraws, TipDraws, Trial


@dataclass(frozen=True)
class Facts:
    """What D draws say; n of them have an account and runs of the fold."""

    sound: tuple[float, float]
    """Speed of sound and its deviation [m/s]."""
    sounds: Array
    """(D,) [m/s]"""
    tip: TipDraws
    anywhere: Array
    """(D,) [m/s], greatest speed of any station."""
    sonic: SonicDraws
    spacing: float
    """Of the stations [m]."""
    rise: Array
    """(D,) [rad], angle of the line at its sonic moment."""
    hard: Array
    """(D,) [m/s2], the tip's greatest acceleration."""
    stretched: Extensions
    events: dict[str, Array]
    """(D,) [s] each."""
    pulls: tuple[Array, Array]
    """(D,) [N], peaks of the grip's tension and of the pull past the clamp."""
    impulse: Array
    """(D, 3) [N s]"""
    work: Array
    """(D,) [J]"""
    kinetic: Array
    """(n,) [J], greatest."""
    account: AccountDraws
    chain: Chain
    runs: list[Run | None]
    shares: Array
    """(n, 6) [m/s], of `amplify.PARTS`."""
    times: tuple[float, float]
    """First and last of the record [s]."""


def facts_of(
    trial: Trial, draws: Draws, m: Moments, bends: Bends, work: Array, booked: AccountDraws
) -> Facts:
    """Those of a motion that is held whole.

    bends : of the draws that have an account; work : (D, K) [J], the hand's so far.
    """
    few, peak_time = account.accounted(draws), m.tip.peak_time
    stretched = extension.extensions_of(draws, peak_time)
    turns = order.tip_turns(draws, peak_time)
    chain = account.chain_of(trial, draws.station)
    runs = fold.runs(draws, few, bends, trial.line.handle_length, peak_time)
    pulls = [pull.peak_pull(draws.time, p, peak_time) for p in pull.pulls(draws, trial.line)]
    excess = account.excess(booked)
    return Facts(
        m.sound, m.sounds, m.tip, tip.peak_anywhere(draws, m.speed, m.tip.jitter), m.sonic,
        float(np.diff(draws.station).max()), crack.rise_at(draws, m.sonic.time, trial.gravity),
        crack.peak_acceleration(draws, peak_time), stretched,
        order.events(trial, draws, turns, m.sonic.time, peak_time, stretched.full),
        (pulls[0], pulls[1]), momentum.hand_impulse(draws), work[:, -1],
        energy.peak_kinetic_energy(draws.time, draws.kinetic_energy[few], excess), booked, chain,
        runs, parts(draws, few, runs, chain, peak_time),
        (float(draws.time[0]), float(draws.time[-1])),
    )  # fmt: skip
