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
    lists,
    momentum,
    order,
    sound_in_air,
    tip,
)
from lashwave.answers.facts import Facts, facts_of
from lashwave.quantities import (
    Answer,
    Array,
    Draws,
    Fit,
    FrontBirths,
    Moments,
    TipDraws,
    Trial,
    from_draws,
)

if TYPE_CHECKING:
    import xarray as xr


OF_CAMERA = {"clock_offset": "s", "registration_u": "px", "registration_v": "px"}
OF_LINE = (
    "drag_normal", "drag_slope", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time",
)  # fmt: skip
"""Fitted over stated, and how drag changes along the line."""


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
    if name == "drag_slope" and trial.line.ends != "free":
        return "the line has no free end"
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
    return moments_at(trial, fit.draws)


def moments_at(trial: Trial, draws: Draws) -> Moments:
    """The same of draws alone."""
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
    draws = fit.draws
    bends = bend.bends_of(draws, trial.line.handle_length, account.accounted(draws))
    work = energy.work_with_model_error(draws)
    table = lists.over_time_and_station(draws, m.speed, m.sound[0], bends, work)
    booked = account.accounts_of(trial, draws)
    lists.put_account(table, booked, trial.line)
    facts = facts_of(trial, draws, m, bends, work, booked)
    answers, warnings = answers_from(trial, fit, facts, table, births)
    return answers, table, warnings


def answers_from(
    trial: Trial,
    fit: Fit,
    facts: Facts,
    table: xr.Dataset,
    births: dict[str, FrontBirths] | None = None,
) -> tuple[dict[str, Answer], list[str]]:
    """Answers by name and warnings; the order of events is added to the lists of `table`.

    fit : of its draws, only the shared parameters are asked.
    """
    sonic_answers, warnings = crack.sonic_answers(facts.sonic, facts.spacing)
    found = order.order(order.with_front(facts.events, births) if births else facts.events)
    lists.put_order(table, found)
    of_tip = facts.tip
    answers = {
        "speed_of_sound": sound_in_air.answer(*facts.sound),
        **_tip_answers(of_tip, facts.sounds),
        "peak_speed": from_draws(facts.anywhere, "m s-1"),
        **sonic_answers,
        **_hand_answers(facts),
        **fitted_parameters(trial, fit),
        **extension.answers(facts.stretched),
        "peak_kinetic_energy": from_draws(facts.kinetic, "J"),
        **account.answers(facts.account),
        **amplify.answers(facts.runs, facts.chain, facts.shares),
        **crack.shape_answers(facts.sonic.time, facts.rise, facts.hard),
        **order.answers(found),
        **sound_in_air.peaks(trial),
    }
    time = np.asarray(table["time"].values)
    said = account.cautions(time, facts.account)
    return answers, [*_cautions(of_tip, facts.times), *warnings, *said]


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


def _hand_answers(facts: Facts) -> dict[str, Answer]:
    peaks = [from_draws(peak, "N") for peak in facts.pulls]
    if peaks[0].value is None:
        peaks = [Answer(None, "N", reason="no tension beyond the grip is known")] * 2
    return {
        "peak_grip_tension": peaks[0],
        "peak_pull_past_clamp": peaks[1],
        "hand_impulse": _of_one_hand(momentum.with_impulse_error(facts.impulse), "N s"),
        "hand_work": _of_one_hand(facts.work, "J"),
    }


def _of_one_hand(values: Array, unit: str) -> Answer:
    """What the near hand gave; draws (D,) are nan where another holds the far end."""
    if not np.isfinite(values).any():
        reason = "the far end is held too: the two hands' shares cannot be separated"
        return Answer(None, unit, reason=reason)
    return from_draws(values, unit)


def _cautions(of_tip: TipDraws, times: tuple[float, float]) -> list[str]:
    """Warnings about the draws themselves, and about a record of those first and last times."""
    found = []
    count, when = of_tip.peak_time.size, of_tip.peak_time
    if count < ENOUGH_DRAWS:
        found.append(f"only {count} draws of the motion: the 95 % intervals are coarse")
    inner = (when > times[0]) & (when < times[1])
    if inner.mean() < 0.9:
        found.append(
            "the tip is fastest at an end of the record in "
            f"{1 - inner.mean():.0%} of the draws: its peak may lie outside"
        )
    return found
