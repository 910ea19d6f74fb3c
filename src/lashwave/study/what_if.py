"""The engine's own motion behind a what-if slider, from some throws that were run beforehand.

Throws that fill the ranges of line and hand evenly are run by the forward engine, all other inputs
in the middle. At each of some moments, counted by the time of the crack, the directions of the
line's pieces are fitted by second-degree polynomials of the inputs. A page answers with these at
once and without a network; throws that the fit has not seen say by how much it is off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement
from typing import Any

import numpy as np

from lashwave.mechanics import FINENESS, SimulationError, simulate_quickly
from lashwave.quantities import TRIAL_GRAVITY, Array
from lashwave.study import one_throw, throw_family
from lashwave.study.crew import mapped

AXES = ("length", "mass", "tip_ratio", "taper", "hand_speed")
"""Inputs that move the line; the stroke's amplitude and time count by the hand's speed alone."""
FITTED, UNSEEN = 72, 16
"""Throws that the polynomials are fitted to, and others that judge them."""
MOMENTS, PIECES = 25, 40
NUMBERS = ("crack_time", "peak_speed")
"""Outputs that go with the motion, fitted as logarithms."""


def _ranges() -> dict[str, tuple[float, float]]:
    """Of `AXES` [SI, as m]; the hand's speed goes from its slowest to its fastest stroke."""
    of = {item.name: item for item in throw_family.INPUTS}
    ends = {name: (of[name].low, of[name].high) for name in AXES if name in of}
    slow, fast = (
        throw_family.hand_speed({"amplitude": a, "time": t})
        for a, t in ((of["amplitude"].low, of["time"].high), (of["amplitude"].high, of["time"].low))
    )
    return {**ends, "hand_speed": (slow, fast)}


RANGES = _ranges()
SHARE = 1.0 - (1.0 - np.linspace(0.0, 1.0, MOMENTS)) ** 1.7
"""Moments (M,) over the time of the crack [1], closer toward it."""
STATION = 1.0 - (1.0 - np.linspace(0.0, 1.0, PIECES + 1)) ** 1.4
"""Ends of the pieces (P + 1,) over the length [1], closer toward the tip."""
TERMS = tuple(
    term for degree in range(3) for term in combinations_with_replacement(range(len(AXES)), degree)
)
"""Numbers of the axes whose product a term is."""


@dataclass(frozen=True)
class Shown:
    """What a page draws of the engine, and how far that is from throws it was not fitted to."""

    direction: Array
    """(B, M, P), coefficients of the pieces' directions from that of the stroke [rad]"""
    numbers: Array
    """(B, 2), of the logarithms of `NUMBERS`"""
    throws: int
    """That they were fitted to."""
    off: float
    """Median distance of the line over its length [1], over unseen throws, moments and pieces."""
    tip_off: float
    """Nine in ten tips are off by less than this, over the length [1]."""
    speed_off: float
    """Median error of the peak speed [1]."""


def throws_of(count: int, seed: int = 0) -> Array:
    """(count, 5) places of `AXES` from -1 to 1 [1], filling the cube evenly."""
    from scipy.stats import qmc

    size = 1 << max(count - 1, 1).bit_length()
    return np.asarray(2.0 * qmc.Sobol(len(AXES), rng=seed).random(size)[:count] - 1.0)


def throw_at(place: Array) -> dict[str, float]:
    """Inputs [SI, as m] of the family at a place (5,) [1]; by logarithms, but for the taper."""
    throw = dict(throw_family.MIDDLE)
    for name, x in zip(AXES, 0.5 * (place + 1.0), strict=True):
        low, high = RANGES[name]
        value = low + (high - low) * x if name == "taper" else low * (high / low) ** x
        if name == "hand_speed":
            name, value = "time", throw_family.PEAK_RATE * throw["amplitude"] / value
        throw[name] = float(value)
    return throw


def motion_of(throw: Mapping[str, float], links: int = one_throw.LINKS) -> dict[str, Any]:
    """Directions (M, P) [rad] of a throw's pieces, and `NUMBERS`; `bad` as of `one_throw`.

    A direction is counted from the stroke's; it goes on from piece to piece, and in time.
    """
    found = one_throw.checked(throw, links)
    none = {"bad": str(found["bad"]) or "no motion", "direction": np.empty((0, PIECES))}
    if found["bad"]:
        return none
    chain = throw_family.chain_of(throw, links)
    time = float(found["crack_time"]) * SHARE
    try:
        path = simulate_quickly(
            chain, throw_family.grip_of(throw, time[-1]), throw_family.air_of(throw),
            TRIAL_GRAVITY, throw_family.law_of(throw), time, *throw_family.start_of(throw, chain),
            fineness=(FINENESS[0], FINENESS[1], one_throw.LONGEST_STEP),
        ).position  # fmt: skip
    except SimulationError:
        return none
    ends = np.stack(
        [
            [np.interp(STATION * throw["length"], chain.station, row[:, k]) for row in path]
            for k in (0, 2)
        ],
        axis=-1,
    )
    along = np.diff(ends, axis=1)
    raw = np.arctan2(along[..., 1], along[..., 0]) - throw["direction"]
    # A piece that has turned by half a circle since the moment before is told by its neighbour.
    angle = np.unwrap(raw, axis=1)
    return {"bad": "", "direction": angle, **{n: float(found[n]) for n in NUMBERS}}


def basis(place: Array) -> Array:
    """(T, B) products of the axes, of places (T, 5) [1]."""
    columns = [np.prod(place[:, list(term)], axis=1) for term in TERMS]
    return np.stack(columns, axis=1)


def places_of(direction: Array, follow: Array) -> Array:
    """Ends (M, P + 1, 2) of the pieces over the length [1], ahead and up from the stroke's line.

    direction : (M, P) [rad]. follow : (M,) way of the hand over the length [1].
    """
    step = np.diff(STATION)[:, None] * np.stack([np.cos(direction), np.sin(direction)], axis=-1)
    base = np.zeros((len(direction), 1, 2))
    ends = np.concatenate([base, np.cumsum(step, axis=1)], axis=1)
    ends[..., 0] += follow[:, None]
    return ends


def fitted(processes: int | None = None, fit: int = FITTED, unseen: int = UNSEEN) -> Shown | None:
    """Run the throws and fit them; None where too few of them can be trusted.

    processes : as many as the machine has cores, unless given. fit, unseen : numbers of throws.
    """
    place = throws_of(fit + unseen)
    found = mapped(_at, list(place), processes)
    good = np.array([not one["bad"] for one in found])
    known = good & (np.arange(len(found)) < fit)
    judged = good & ~known
    if known.sum() < 2 * len(TERMS) or not judged.any():
        return None
    rows = basis(place)
    turn = np.array([one["direction"] for one, ok in zip(found, known, strict=True) if ok])
    numbers = np.log(
        [[one[n] for n in NUMBERS] for one, ok in zip(found, known, strict=True) if ok]
    )
    inverse = np.linalg.pinv(rows[known])
    direction = np.tensordot(inverse, turn, axes=1)
    shown = Shown(direction, np.asarray(inverse @ numbers, float), int(known.sum()), 0.0, 0.0, 0.0)
    return _judged(shown, rows[judged], [one for one, ok in zip(found, judged, strict=True) if ok])


def _judged(shown: Shown, rows: Array, unseen: list[dict[str, Any]]) -> Shown:
    """With its errors at throws of these rows (T, B) [1] of `basis`."""
    still = np.zeros(MOMENTS)
    said = np.tensordot(rows, shown.direction, axes=1)
    gap = np.array([
        np.linalg.norm(places_of(a, still) - places_of(b["direction"], still), axis=-1)
        for a, b in zip(said, unseen, strict=True)
    ])  # fmt: skip
    speed = np.exp(rows @ shown.numbers[:, 1]) / np.array([one["peak_speed"] for one in unseen])
    return replace(
        shown, off=float(np.median(gap)), tip_off=float(np.quantile(gap[..., -1], 0.9)),
        speed_off=float(np.median(np.abs(speed - 1.0))),
    )  # fmt: skip


def _at(place: Array) -> dict[str, Any]:
    return motion_of(throw_at(place))


def page_data(shown: Shown) -> dict[str, Any]:
    """What the page draws by, all plain: angles to a thousandth of a radian."""
    return {
        "axes": [
            {"name": n, "low": RANGES[n][0], "high": RANGES[n][1], "log": n != "taper"}
            for n in AXES
        ],
        "terms": [list(term) for term in TERMS],
        "share": SHARE.round(5).tolist(), "station": STATION.round(5).tolist(),
        "direction": (1000.0 * shown.direction).round().astype(int).tolist(),
        "numbers": shown.numbers.round(5).tolist(), "names": list(NUMBERS),
        "follow": throw_family.MIDDLE["follow"], "direction_up": throw_family.MIDDLE["direction"],
        "throws": shown.throws, "off": shown.off, "tip_off": shown.tip_off,
        "speed_off": shown.speed_off,
    }  # fmt: skip
