"""One throw of the family by the cheap engine: what came of it, and whether it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from lashwave.mechanics import (
    COLUMNS,
    EVERY,
    FINENESS,
    SimulationError,
    Wanted,
    setup,
    traced,
)
from lashwave.quantities import TRIAL_GRAVITY, Array, Line
from lashwave.study import throw_family
from lashwave.study.closed_forms import fold_time

LINKS = 100
"""See `benchmarks/law.py` for what more of them would change."""
LONGEST_STEP = 2e-4
"""[s]; longer ones let a stiff butt ring."""
SHORT = 1.7
"""A peak counts where the tip is as far from the hand as the line is long, less so many widths of
the first fold."""
LATEST = 1.5
"""A run ends after so many times of the closed form at the latest."""
SMOOTHED = 5e-3
"""Grip force is a mean over this time [s]: what is shorter depends on the links."""
END = 0.9
"""From here on, over the length, is the line's end whose energy is an output."""
OPEN = 0.02
"""Share of the kinetic energy at first that the account of energy may leave open."""
SHARP = 1.0
"""Turn between two links at the line's end [rad], beyond which they are too long for the fold."""


class Output(NamedTuple):
    """One result of a throw."""

    name: str
    unit: str
    meaning: str


OUTPUTS = (
    Output("peak_speed", "m/s", "first peak of the tip's speed, as the fold reaches it"),
    Output("peak_speed_100us", "m/s", "largest mean speed of the tip over 100 us"),
    Output("crack_time", "s", "of that peak, from the hand's stop"),
    Output("crack_ahead", "m", "place of the tip then, level, before the hand's stop"),
    Output("crack_up", "m", "and above it"),
    Output("peak_force", "N", "largest mean force of the hand over 5 ms, up to then"),
    Output("end_energy", "J", "largest kinetic energy of the line's last tenth, up to then"),
)
ACCURACY = (
    Output(
        "energy_open",
        "1",
        "what the account of energy leaves open over the first kinetic energy",
    ),
    Output("sharpest", "rad", "largest turn between two links at the line's end, up to the peak"),
    Output("steps", "1", "of the engine"),
    Output("arrived", "1", "whether the fold reached the tip"),
)
RESULTS = tuple(item.name for item in OUTPUTS + ACCURACY)


def greatest_mean(time: Array, value: Array, span: float) -> float:
    """Largest mean of value (S,) over any `span` of time (S,) [s]; nan of a shorter record."""
    if time[-1] - time[0] <= span:
        return float("nan")
    area = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(time))])
    late = time > time[0] + span
    return float(((area - np.interp(time - span, time, area)) / span)[late].max())


def run(
    throw: Mapping[str, float], links: int = LINKS, finer: float = 1.0, line: Line | None = None
) -> dict[str, float]:
    """Outputs and accuracy of one throw, by name.

    Parameters
    ----------
    throw : the inputs of `throw_family.INPUTS`, by name, SI.
    finer : steps are this many times shorter.
    line : in place of the throw's own, as long as that; its taper is then the nearest to it.

    Raises
    ------
    SimulationError : the motion could not be carried on.
    """
    form = float(fold_time(throw["tip_ratio"], throw["taper"])[0])
    relative = (1.0 - throw["follow"]) * throw_family.hand_speed(throw)
    latest = LATEST * form * throw["length"] / relative
    chain = throw_family.chain_of(throw, links, line)
    grip = throw_family.grip_of(throw, latest)
    ready = setup(
        chain, grip, throw_family.air_of(throw), TRIAL_GRAVITY, throw_family.law_of(throw)
    )
    beyond = int(np.searchsorted(chain.station, END * throw["length"]))
    wanted = Wanted(0.0, latest, throw["length"] - SHORT * throw["loop"], beyond)
    fineness = np.array([FINENESS[0], FINENESS[1], LONGEST_STEP]) / finer
    rows, account, peak = traced(
        ready, chain.node_mass, wanted, *throw_family.start_of(throw, chain), fineness
    )
    return outcome(rows, account, peak)


def outcome(rows: Array, account: Array, peak: int) -> dict[str, float]:
    """Outputs and accuracy from a trace (S, 8) and its account of energy (S // EVERY, 2) [J].

    peak : the row of the peak.
    """
    c = {name: rows[:, j] for j, name in enumerate(COLUMNS)}
    till = slice(0, peak + 1)
    around = slice(max(peak - 400, 0), peak + 400)
    closed = account[: peak // EVERY + 1]
    whole = float(closed[0, 1]) or 1e-12
    return {
        "peak_speed": float(c["tip_speed"][peak]),
        "peak_speed_100us": greatest_mean(c["time"][around], c["tip_speed"][around], 1e-4),
        "crack_time": float(c["time"][peak]),
        "crack_ahead": float(c["tip_x"][peak]),
        "crack_up": float(c["tip_z"][peak]),
        "peak_force": greatest_mean(c["time"][till], c["grip_force"][till], SMOOTHED),
        "end_energy": float(c["end_energy"][till].max()),
        "arrived": float(peak < len(rows) - 1),
        "energy_open": float(np.abs(closed[:, 0]).max()) / whole,
        "sharpest": float(np.arccos(np.clip(c["cosine"][till].min(), -1.0, 1.0))),
        "steps": float(len(rows)),
    }


def checked(
    throw: Mapping[str, float], links: int = LINKS, line: Line | None = None
) -> dict[str, float | str]:
    """The same, with `bad`: why the throw is not to be trusted, or "".

    A throw whose account of energy does not close is run again with half the step.
    """
    found: dict[str, float] = dict.fromkeys(RESULTS, float("nan"))
    for finer in (1.0, 2.0):
        try:
            found = run(throw, links, finer, line)
        except SimulationError as failure:
            if finer == 2.0:
                return {**found, "bad": str(failure)}
            continue
        if found["energy_open"] <= OPEN:
            break
    bad = ["no peak: the fold did not reach the tip"] if found["arrived"] == 0.0 else []
    if not found["energy_open"] <= OPEN:
        bad.append(f"account of energy open by {found['energy_open']:.1%} of the energy")
    if not found["sharpest"] <= SHARP:
        bad.append(f"fold sharper than the links: {found['sharpest']:.2f} rad")
    return {**found, "bad": "; ".join(bad)}
