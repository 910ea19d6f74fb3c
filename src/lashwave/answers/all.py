"""Every answer of `register.toml` that one fit gives; fronts and sounds (`emission`) add theirs.

What did the fit find for clocks, images, drag, stiffness and damping?
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import (
    account,
    amplify,
    bend,
    crack,
    energy,
    extension,
    fold,
    lists,
    momentum,
    order,
    pull,
    sound_in_air,
    tip,
)
from lashwave.answers.bend import Bends
from lashwave.mechanics import known_stiffness
from lashwave.quantities import (
    Answer,
    Array,
    Draws,
    Fit,
    FrontBirths,
    Line,
    Moments,
    TipDraws,
    Trial,
    from_draws,
)

if TYPE_CHECKING:
    import xarray as xr


OF_CAMERA = {"clock_offset": "s", "registration_u": "px", "registration_v": "px"}
OF_LINE = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")
"""Fitted over stated."""


def fitted_parameters(trial: Trial, fit: Fit) -> dict[str, Answer]:
    """One answer a shared parameter of the register; null where it was not part of the fit."""
    found = {
        f"{name}:{camera.name}": _one(fit, f"{name}:{camera.name}", unit)
        for camera in trial.cameras
        for name, unit in OF_CAMERA.items()
    }
    return found | {name: _one(fit, name, "1", _absent(trial, name)) for name in OF_LINE}


def _absent(trial: Trial, name: str) -> str:
    if name == "drag_tuft" and trial.line.tuft is None:
        return "the line has no tuft"
    return "not part of this fit"


def _one(fit: Fit, name: str, unit: str, absent: str = "not part of this fit") -> Answer:
    """From the draws, or from the fit's value and standard deviation where they lack it."""
    if name in fit.draws.shared:
        return from_draws(fit.draws.shared[name], unit)
    if name in fit.shared:
        value, sd = fit.shared[name]
        half = 1.959964 * sd
        return Answer(value, unit, sd, value - half, value + half)
    return Answer(None, unit, reason=absent)


ENOUGH_DRAWS = 100
"""Under these a 95 % interval rests on two draws at either end."""


def moments_of(trial: Trial, fit: Fit) -> Moments:
    """The tip's draws and the first sonic moment of each draw, each with its own speed of sound."""
    draws = fit.draws
    sound = sound_in_air.speed(trial.air)
    sounds = sound_in_air.draws(*sound, draws.position.shape[0])
    speed = lists.speed_draws(draws)
    sonic = crack.sonic_draws(draws, speed, sounds, trial.line.length)
    return Moments(sound, sounds, speed, tip.tip_draws(draws), sonic)


def answer(
    trial: Trial,
    fit: Fit,
    moments: Moments | None = None,
    births: dict[str, FrontBirths] | None = None,
) -> tuple[dict[str, Answer], xr.Dataset, list[str]]:
    """Answers by name, lists over time and station, and what a user must be warned of.

    Every derived answer is asked of each draw; its value is the median of what the draws say, its
    interval their central 95 %. So the value carries every draw's own noise and curvature of the
    question (a peak lies higher than the peak of the mean motion), as the interval does; where the
    greatest of many jittering values is asked for, the jitter is smoothed first.

    Parameters
    ----------
    moments : of `moments_of`; found here where None.
    births : of the fronts that cameras saw, by camera: they too stand in the order of events.
    """
    m = moments_of(trial, fit) if moments is None else moments
    draws, line = fit.draws, trial.line
    spacing = float(np.diff(draws.station).max())
    sonic_answers, warnings = crack.sonic_answers(m.sonic, spacing)
    bends = bend.bends_of(draws, line.handle_length, account.accounted(draws))
    table = lists.over_time_and_station(draws, m.speed, m.sound[0], bends)
    stretched = extension.extensions_of(draws, m.tip.peak_time)
    events = order.events(trial, draws, m.sonic.time, m.tip.peak_time, stretched.full)
    found = order.order(order.with_front(events, births) if births else events)
    booked, said = _account_answers(trial, draws, m.tip.peak_time, bends, table)
    lists.put_order(table, found)
    answers = {
        "speed_of_sound": sound_in_air.answer(*m.sound),
        **_tip_answers(m.tip, m.sounds),
        "peak_speed": from_draws(tip.peak_anywhere(draws, m.speed, m.tip.jitter), "m s-1"),
        **sonic_answers,
        **_hand_answers(draws, line, m.tip),
        **fitted_parameters(trial, fit),
        **extension.answers(stretched),
        **booked,
        **crack.shape_answers(draws, m.sonic, m.tip.peak_time, trial.gravity),
        **order.answers(found),
        **sound_in_air.peaks(trial),
    }
    return answers, table, [*_cautions(draws, m.tip), *warnings, *said]


def _account_answers(
    trial: Trial, draws: Draws, peak_time: Array, bends: Bends, table: xr.Dataset
) -> tuple[dict[str, Answer], list[str]]:
    """What the energy account and the fold answer, and what must be warned of; their lists are
    added to `table`.

    bends : of the draws that `account.accounted` names.
    """
    booked = account.accounts_of(trial, draws)
    lists.put_account(table, booked, trial.line)
    few = account.accounted(draws)
    chain = account.chain_of(trial, draws.station)
    runs = fold.runs(draws, few, bends, trial.line.handle_length, peak_time)
    shares = amplify.parts(draws, few, runs, chain, peak_time)
    most = energy.peak_kinetic_energy(draws.time, draws.kinetic_energy[few], account.excess(booked))
    found = {
        "peak_kinetic_energy": from_draws(most, "J"),
        **account.answers(booked),
        **amplify.answers(runs, chain, shares),
    }
    return found, account.cautions(draws.time, booked)


def _tip_answers(of_tip: TipDraws, sounds: Array) -> dict[str, Answer]:
    over_span = from_draws(of_tip.over_span, "m s-1")
    if over_span.value is None:
        over_span = Answer(None, "m s-1", reason="the record is shorter than 100 us")
    return {
        "peak_tip_speed": from_draws(of_tip.peak, "m s-1"),
        "peak_tip_speed_time": from_draws(of_tip.peak_time, "s"),
        "peak_tip_mach": from_draws(of_tip.peak / sounds, "1"),
        "peak_tip_speed_100us": over_span,
    }


def _hand_answers(draws: Draws, line: Line, of_tip: TipDraws) -> dict[str, Answer]:
    grip_end = line.handle_length
    clamp = float(np.interp(grip_end, line.station, known_stiffness(line).value))
    scale = draws.shared.get("stiffness_scale", np.ones(of_tip.peak.size))
    tensions = pull.grip_tension(draws, grip_end, clamp * scale), pull.past_clamp(draws, grip_end)
    peaks = [
        from_draws(pull.peak_pull(draws.time, tension, of_tip.peak_time), "N")
        for tension in tensions
    ]
    if peaks[0].value is None:
        peaks = [Answer(None, "N", reason="no tension beyond the grip is known")] * 2
    impulse, work = momentum.impulse_with_model_error(draws), energy.hand_work(draws)
    return {
        "peak_grip_tension": peaks[0],
        "peak_pull_past_clamp": peaks[1],
        "hand_impulse": _of_one_hand(impulse, "N s"),
        "hand_work": _of_one_hand(work, "J"),
    }


def _of_one_hand(values: Array, unit: str) -> Answer:
    """What the near hand gave; draws (D,) are nan where another holds the far end."""
    if not np.isfinite(values).any():
        reason = "the far end is held too: the two hands' shares cannot be separated"
        return Answer(None, unit, reason=reason)
    return from_draws(values, unit)


def _cautions(draws: Draws, of_tip: TipDraws) -> list[str]:
    """Warnings about the record and the draws themselves."""
    found = []
    count = draws.position.shape[0]
    if count < ENOUGH_DRAWS:
        found.append(f"only {count} draws of the motion: the 95 % intervals are coarse")
    inner = (of_tip.peak_time > draws.time[0]) & (of_tip.peak_time < draws.time[-1])
    if inner.mean() < 0.9:
        found.append(
            "the tip is fastest at an end of the record in "
            f"{1 - inner.mean():.0%} of the draws: its peak may lie outside"
        )
    return found
