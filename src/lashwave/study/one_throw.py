"""One throw of the family by the cheap engine: what came of it, and whether it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from lashwave.mechanics.quick import FINENESS
from lashwave.mechanics.simulate import SimulationError, setup
from lashwave.mechanics.traced import COLUMNS, EVERY, Wanted, traced
from lashwave.quantities.arrays import Array
from lashwave.quantities.constants import TRIAL_GRAVITY
from lashwave.study import throw_family

LINKS = 100
"""The peak is within 1 % of that of 300 links in the family's middle; `benchmarks/law.py`."""
LONGEST_STEP = 2e-4
"""[s]; longer ones let a stiff butt ring."""
AFTERWARDS = 0.9
"""A run ends this long after the stroke at the latest [s]."""
SMOOTHED = 5e-3
"""Grip force is a mean over this time [s]: what is shorter depends on the links."""
END = 0.9
"""From here on, over the length, is the line's end whose energy is told."""
OPEN = 0.1
"""Share of the hand's work that the account of energy may leave open."""
SHARP = 2.2
"""Turn between two links at the line's end [rad], beyond which they are too long for the fold."""


class Output(NamedTuple):
    """One thing told of a throw."""

    name: str
    unit: str
    meaning: str


OUTPUTS = (
    Output("peak_speed", "m/s", "largest speed of the tip"),
    Output("peak_speed_100us", "m/s", "largest mean speed of the tip over 100 us"),
    Output("crack_time", "s", "of the largest speed, from the stroke's begin"),
    Output("crack_ahead", "m", "place of the tip then, forward of the hand's start"),
    Output("crack_up", "m", "and above it"),
    Output("peak_force", "N", "largest mean force of the hand over 5 ms, up to then"),
    Output("end_energy", "J", "largest kinetic energy of the line's last tenth, up to then"),
)
ACCURACY = (
    Output("energy_open", "1", "what the account of energy leaves open over the hand's work"),
    Output("sharpest", "rad", "largest turn between two links at the line's end, up to the peak"),
    Output("steps", "1", "of the engine"),
)
RESULTS = tuple(item.name for item in OUTPUTS + ACCURACY)


def greatest_mean(time: Array, value: Array, span: float) -> float:
    """Largest mean of value (S,) over any `span` of time (S,); nan where the record is shorter."""
    if time[-1] - time[0] <= span:
        return float("nan")
    area = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(time))])
    late = time > time[0] + span
    return float(((area - np.interp(time - span, time, area)) / span)[late].max())


def run(throw: Mapping[str, float], links: int = LINKS, finer: float = 1.0) -> dict[str, float]:
    """Outputs and accuracy of one throw, by name.

    Parameters
    ----------
    throw : the inputs of `throw_family.INPUTS`, by name, SI.
    finer : steps are this many times shorter.

    Raises
    ------
    SimulationError : the motion could not be carried on.
    """
    latest = throw["time"] + AFTERWARDS
    chain, grip = throw_family.chain_of(throw, links), throw_family.grip_of(throw, latest)
    ready = setup(
        chain, grip, throw_family.air_of(throw), TRIAL_GRAVITY, throw_family.law_of(throw)
    )
    edge = throw["handle"] + END * throw["length"]
    wanted = Wanted(0.0, throw["time"], latest, int(np.searchsorted(chain.station, edge)))
    fineness = np.array([FINENESS[0], FINENESS[1], LONGEST_STEP]) / finer
    rows, account = traced(
        ready, chain.node_mass, wanted, throw_family.start_of(chain, grip), fineness
    )
    return told(rows, account)


def told(rows: Array, account: Array) -> dict[str, float]:
    """Outputs and accuracy from a trace (S, 8) and its account of energy (S // EVERY, 2) [J]."""
    c = {name: rows[:, j] for j, name in enumerate(COLUMNS)}
    peak = int(c["tip_speed"].argmax())
    till = slice(0, peak + 1)
    around = slice(max(peak - 400, 0), peak + 400)
    closed = account[: peak // EVERY + 1]
    work = max(float(np.abs(closed[:, 1]).max()), 1e-12)
    return {
        "peak_speed": float(c["tip_speed"][peak]),
        "peak_speed_100us": greatest_mean(c["time"][around], c["tip_speed"][around], 1e-4),
        "crack_time": float(c["time"][peak]),
        "crack_ahead": float(c["tip_x"][peak]),
        "crack_up": float(c["tip_z"][peak]),
        "peak_force": greatest_mean(c["time"][till], c["grip_force"][till], SMOOTHED),
        "end_energy": float(c["end_energy"][till].max()),
        "energy_open": float(np.abs(closed[:, 0]).max()) / work,
        "sharpest": float(np.arccos(np.clip(c["cosine"][till].min(), -1.0, 1.0))),
        "steps": float(len(rows)),
    }


def checked(throw: Mapping[str, float], links: int = LINKS) -> dict[str, float | str]:
    """The same, with `bad`: why the throw is not to be trusted, or "".

    A throw whose account of energy does not close is run again with half the step.
    """
    found: dict[str, float] = dict.fromkeys(RESULTS, float("nan"))
    for finer in (1.0, 2.0):
        try:
            found = run(throw, links, finer)
        except SimulationError as failure:
            if finer == 2.0:
                return {**found, "bad": str(failure)}
            continue
        if found["energy_open"] <= OPEN:
            break
    bad = []
    if not found["energy_open"] <= OPEN:
        bad.append(f"account of energy open by {found['energy_open']:.1%} of the hand's work")
    if not found["sharpest"] <= SHARP:
        bad.append(f"fold sharper than the links: {found['sharpest']:.2f} rad")
    return {**found, "bad": "; ".join(bad)}
