"""Every answer of `register.toml` that one fit gives; fronts and sounds add theirs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import (
    account,
    bend,
    crack,
    energy,
    further,
    lists,
    momentum,
    pull,
    shared,
    sound,
    tip,
)
from lashwave.mechanics.known_stiffness import known_stiffness
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws, Fit
from lashwave.quantities.line import Line
from lashwave.quantities.trial import Trial

if TYPE_CHECKING:
    import xarray as xr


ENOUGH_DRAWS = 100
"""Under these a 95 % interval rests on two draws at either end."""


def first_sonic(trial: Trial, fit: Fit) -> crack.SonicDraws:
    """The first sonic moment of each draw, each with its own speed of sound."""
    draws = fit.draws
    sounds = sound.draws(*sound.speed(trial.air), draws.position.shape[0])
    return crack.ask(draws, lists.speed_draws(draws), sounds, trial.line.length)


def answer(
    trial: Trial, fit: Fit, sonic: crack.SonicDraws | None = None
) -> tuple[dict[str, Answer], xr.Dataset, list[str]]:
    """Answers by name, lists over time and station, and what a user must be warned of.

    Every derived answer is asked of each draw; its value is the median of what the draws say, its
    interval their central 95 %. So the value carries every draw's own noise and curvature of the
    question (a peak lies higher than the peak of the mean motion), as the interval does; where the
    greatest of many jittering values is asked for, the jitter is smoothed first.

    sonic : of `first_sonic`, where it is known already.
    """
    draws, line = fit.draws, trial.line
    middle, sound_sd = sound.speed(trial.air)
    sounds = sound.draws(middle, sound_sd, draws.position.shape[0])
    speed = lists.speed_draws(draws)
    of_tip = tip.ask(draws)
    if sonic is None:
        sonic = crack.ask(draws, speed, sounds, line.length)
    spacing = float(np.diff(draws.station).max())
    sonic_answers, warnings = crack.sonic_answers(sonic, spacing)
    answers = {
        "speed_of_sound": sound.answer(middle, sound_sd),
        **_tip_answers(of_tip, sounds),
        "peak_speed": from_draws(tip.peak_anywhere(draws, speed, of_tip.jitter), "m s-1"),
        **sonic_answers,
        **_hand_answers(draws, line, of_tip),
        **shared.answers(trial, fit),
    }
    chosen = account.some(draws)
    bends = bend.ask(draws, line.handle_length, chosen)
    table = lists.over_time_and_station(draws, speed, middle, bends)
    more, said = further.answer(trial, draws, sonic, of_tip.peak_time, bends, table)
    return answers | more, table, [*_cautions(draws, of_tip), *warnings, *said]


def _tip_answers(of_tip: tip.TipDraws, sounds: Array) -> dict[str, Answer]:
    over_span = from_draws(of_tip.over_span, "m s-1")
    if over_span.value is None:
        over_span = Answer(None, "m s-1", reason="the record is shorter than 100 us")
    return {
        "peak_tip_speed": from_draws(of_tip.peak, "m s-1"),
        "peak_tip_speed_time": from_draws(of_tip.peak_time, "s"),
        "peak_tip_mach": from_draws(of_tip.peak / sounds, "1"),
        "peak_tip_speed_100us": over_span,
    }


def _hand_answers(draws: Draws, line: Line, of_tip: tip.TipDraws) -> dict[str, Answer]:
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
    impulse, work = momentum.doubted_impulse(draws), energy.hand_work(draws)
    return {
        "peak_grip_tension": peaks[0],
        "peak_pull_past_clamp": peaks[1],
        "hand_impulse": _of_one_hand(impulse, "N s"),
        "hand_work": _of_one_hand(work, "J"),
    }


def _of_one_hand(values: Array, unit: str) -> Answer:
    """What the near hand gave; draws (D,) are nan where another holds the far end."""
    if not np.isfinite(values).any():
        reason = "the far end is held too: the hands' shares cannot be told apart"
        return Answer(None, unit, reason=reason)
    return from_draws(values, unit)


def _cautions(draws: Draws, of_tip: tip.TipDraws) -> list[str]:
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
