"""Throws of the family by the cheap engine: what came of each, and whether it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from lashwave.mechanics import (
    FINENESS,
    RESULTS,
    Member,
    SimulationError,
    setup,
    together,
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
    Output("crack_time", "s", "time of that peak, from the hand's stop"),
    Output("crack_ahead", "m", "place of the tip then, level, before the hand's stop"),
    Output("crack_up", "m", "place of the tip then, above the hand's stop"),
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
NUMBERS = tuple(item.name for item in OUTPUTS + ACCURACY)


def member_of(throw: Mapping[str, float], links: int = LINKS, line: Line | None = None) -> Member:
    """A throw as the engine takes it.

    throw : the inputs of `throw_family.INPUTS`, by name, SI. line : in place of the throw's own, as
    long as that; its taper is then the nearest to it.
    """
    form = float(fold_time(throw["tip_ratio"], throw["taper"])[0])
    relative = (1.0 - throw["follow"]) * throw_family.hand_speed(throw)
    latest = LATEST * form * throw["length"] / relative
    chain = throw_family.chain_of(throw, links, line)
    grip = throw_family.grip_of(throw, latest)
    ready = setup(
        chain, grip, throw_family.air_of(throw), TRIAL_GRAVITY, throw_family.law_of(throw)
    )
    return Member(
        ready, chain.node_mass, *throw_family.start_of(throw, chain), 0.0, latest,
        throw["length"] - SHORT * throw["loop"],
    )  # fmt: skip


def end_of(links: int) -> int:
    """First node of the line's end; the same for all lines, since their nodes stand alike."""
    share = throw_family.nodes_of({"length": 1.0}, links)
    return int(np.searchsorted(share, END))


def fineness(finer: float = 1.0) -> Array:
    """Of the engine (3,) [1], its steps `finer` times shorter; see `quick.FINENESS`."""
    return np.array([FINENESS[0], FINENESS[1], LONGEST_STEP]) / finer


def run(
    throw: Mapping[str, float], links: int = LINKS, finer: float = 1.0, line: Line | None = None
) -> dict[str, float]:
    """Outputs and accuracy of one throw, by name, in double precision.

    throw, line : as of `member_of`. finer : steps are this many times shorter.

    Raises
    ------
    SimulationError : the motion could not be carried on.
    """
    found = together([member_of(throw, links, line)], fineness(finer), beyond=end_of(links),
                     exact=True)  # fmt: skip
    row = dict(zip(RESULTS, map(float, found.result[0]), strict=True))
    if row["ill"]:
        raise SimulationError(
            f"the links could not be held at their lengths after {row['steps']:.0f} steps"
        )
    return outcome(row)


def outcome(row: Mapping[str, float]) -> dict[str, float]:
    """Outputs and accuracy from a member's results (`RESULTS`), by name."""
    return {
        "peak_speed": row["speed"],
        "peak_speed_100us": row["speed_100us"],
        "crack_time": row["time"],
        "crack_ahead": row["x"],
        "crack_up": row["z"],
        "peak_force": row["force"],
        "end_energy": row["end_energy"],
        "arrived": row["arrived"],
        "energy_open": row["open"] / (row["kinetic"] or 1e-12),
        "sharpest": float(np.arccos(np.clip(row["cosine"], -1.0, 1.0))),
        "steps": row["steps"],
    }


def checked(
    throw: Mapping[str, float], links: int = LINKS, line: Line | None = None
) -> dict[str, float | str]:
    """The same, with `bad`: why the throw is not to be trusted, or "".

    A throw whose account of energy does not close is run again with half the step.
    """
    found: dict[str, float] = dict.fromkeys(NUMBERS, float("nan"))
    for finer in (1.0, 2.0):
        try:
            found = run(throw, links, finer, line)
        except SimulationError as failure:
            if finer == 2.0:
                return {**found, "bad": str(failure)}
            continue
        if found["energy_open"] <= OPEN:
            break
    return {**found, "bad": "; ".join(faults(found))}


def faults(found: Mapping[str, float]) -> list[str]:
    """Why an outcome is not to be trusted."""
    bad = ["no peak: the fold did not reach the tip"] if found["arrived"] == 0.0 else []
    if not found["energy_open"] <= OPEN:
        bad.append(f"account of energy open by {found['energy_open']:.1%} of the energy")
    if not found["sharpest"] <= SHARP:
        bad.append(f"fold sharper than the links: {found['sharpest']:.2f} rad")
    return bad


def many(
    throws: Sequence[Mapping[str, float]], links: int = LINKS, *, gpu: bool = False,
    threads: int | None = None,
) -> list[dict[str, float | str]]:  # fmt: skip
    """`checked` of many throws at once, in single precision.

    A throw that cannot be trusted so is run again in double precision.

    Raises
    ------
    InputError : gpu, and there is no card.
    """
    members = [member_of(throw, links) for throw in throws]
    found = together(members, fineness(), beyond=end_of(links), gpu=gpu, threads=threads)
    out: list[dict[str, float | str]] = []
    for throw, row in zip(throws, found.result.tolist(), strict=True):
        named = dict(zip(RESULTS, row, strict=True))
        said = outcome(named)
        if named["ill"] or not said["energy_open"] <= OPEN:
            out.append(checked(throw, links))
        else:
            out.append({**said, "bad": "; ".join(faults(said))})
    return out
