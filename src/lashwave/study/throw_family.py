"""The family of throws that ensembles, sensitivities and the design law are about.

A tapered line lies straight back, level, at rest; a rigid grip of its own length holds its butt.
One stroke of the hand carries the grip forward and turns it over; the hand drops while it slows, so
that the line folds over it. All strokes rise and end smoothly. The line's linear density falls
from butt to tip as tip + (butt - tip) (1 - x)^taper; its bending stiffness over its linear density
grows with its diameter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from lashwave.mechanics.air import Medium, medium
from lashwave.mechanics.chain import Chain, build
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.quantities.air import Air
from lashwave.quantities.arrays import Array
from lashwave.quantities.line import Line, Tuft

START_ANGLE = 2.2
"""Of the grip over the forward level, as the stroke begins [rad]."""
HUMIDITY = 0.5
SAMPLE = 2e-3
"""Between the knots of the hand's path [s]."""
PEAK_RATE = 35.0 / 16.0
"""Greatest rate of a stroke over size and span: of x^4 (35 - 84 x + 70 x^2 - 20 x^3)."""


class Input(NamedTuple):
    """One input of a throw."""

    name: str
    unit: str
    low: float
    high: float
    even: str
    """"log" where ratios, "plain" where differences are alike over the range."""
    whose: str
    """"line", "hand" or "air"."""
    meaning: str


INPUTS = (
    Input("length", "m", 1.5, 3.2, "log", "line", "of the line beyond the grip"),
    Input("mass", "kg", 0.03, 0.15, "log", "line", "of the line beyond the grip"),
    Input("tip_ratio", "1", 0.05, 0.4, "log", "line", "linear density at the tip over the butt's"),
    Input("taper", "1", 0.8, 2.0, "plain", "line", "power by which the linear density falls"),
    Input("cord_density", "kg/m3", 700.0, 1000.0, "log", "line", "mass over volume"),
    Input("stiffness", "m4/s2", 0.02, 0.1, "log", "line",
          "bending stiffness over linear density, at the tip"),
    Input("damping", "s", 2e-3, 1e-2, "log", "line", "damping time of bending"),
    Input("tuft_area", "m2", 1e-6, 2e-5, "log", "line", "drag area at the tip"),
    Input("drag", "1", 0.8, 1.25, "log", "line", "drag across the line over the law's"),
    Input("handle", "m", 0.15, 0.25, "log", "hand", "length of the rigid grip"),
    Input("amplitude", "m", 0.5, 1.2, "log", "hand", "of the stroke forward"),
    Input("time", "s", 0.25, 0.45, "log", "hand", "of the stroke"),
    Input("direction", "rad", -0.1, 0.4, "plain", "hand", "of the stroke over the level"),
    Input("turn", "rad", 1.8, 2.6, "plain", "hand", "of the grip, forward"),
    Input("lag", "1", 0.1, 0.3, "plain", "hand", "of the turn behind the stroke, over its time"),
    Input("drop", "m", 0.1, 0.4, "plain", "hand", "of the hand, from half the stroke's time on"),
    Input("temperature", "K", 278.0, 308.0, "plain", "air", "of the air"),
    Input("pressure", "Pa", 8e4, 1.03e5, "plain", "air", "of the air"),
)  # fmt: skip
NAMES = tuple(item.name for item in INPUTS)
BY_NAME = {item.name: item for item in INPUTS}


def scaled(share: Array, ranges: Mapping[str, tuple[float, float]] | None = None) -> Array:
    """Inputs (M, D) of places (M, D) in the unit cube; ranges replace those of `INPUTS`."""
    out = np.empty_like(share)
    for j, item in enumerate(INPUTS):
        low, high = (ranges or {}).get(item.name, (item.low, item.high))
        if item.even == "log":
            out[:, j] = low * (high / low) ** share[:, j]
        else:
            out[:, j] = low + (high - low) * share[:, j]
    return out


def unscaled(inputs: Array) -> Array:
    """Places (M, D) in the cube of `INPUTS`' ranges; outside 0 to 1 where an input is."""
    out = np.empty_like(inputs)
    for j, item in enumerate(INPUTS):
        if item.even == "log":
            out[:, j] = np.log(inputs[:, j] / item.low) / np.log(item.high / item.low)
        else:
            out[:, j] = (inputs[:, j] - item.low) / (item.high - item.low)
    return out


def ease(x: Array) -> Array:
    """0 before 0, 1 after 1, with three vanishing rates at both ends."""
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x**4 * (35 - x * (84 - x * (70 - 20 * x))))


def mean_ratio(tip_ratio: Array | float, taper: Array | float) -> Array:
    """Mean linear density over the butt's."""
    return np.asarray(tip_ratio + (1.0 - np.asarray(tip_ratio)) / (np.asarray(taper) + 1.0))


def butt_density(throw: Mapping[str, float]) -> float:
    """Linear density at the butt [kg/m]."""
    mean = throw["mass"] / throw["length"]
    return float(mean / mean_ratio(throw["tip_ratio"], throw["taper"]))


def tip_diameter(throw: Mapping[str, float]) -> float:
    """Diameter at the tip [m], of a full round cord."""
    tip = butt_density(throw) * throw["tip_ratio"]
    return float(np.sqrt(4.0 * tip / (np.pi * throw["cord_density"])))


def line_of(throw: Mapping[str, float]) -> Line:
    """The line, with the grip as its first part."""
    handle, length = throw["handle"], throw["length"]
    station = np.concatenate([[0.0], handle + length * np.linspace(0.0, 1.0, 61)])
    x = np.clip((station - handle) / length, 0.0, 1.0)
    shape = throw["tip_ratio"] + (1.0 - throw["tip_ratio"]) * (1.0 - x) ** throw["taper"]
    density = butt_density(throw) * shape
    diameter = np.sqrt(4.0 * density / (np.pi * throw["cord_density"]))
    stiffness = throw["stiffness"] * density * diameter / diameter[-1]
    return Line(
        station, diameter, density, stiffness, handle_length=handle,
        tuft=Tuft(throw["tuft_area"], 0.0, 0.0),
    )  # fmt: skip


def nodes_of(throw: Mapping[str, float], links: int) -> Array:
    """Node stations (links + 1,): closer at the clamp, and eight times closer at the tip."""
    u = np.linspace(0.0, 1.0, 2001)
    wide = np.minimum(1.0 + 7.0 * (1.0 - u), 0.35 + 8.0 * throw["length"] * u)
    crowd = np.concatenate([[0.0], np.cumsum(0.5 * (1 / wide[1:] + 1 / wide[:-1]))])
    share = np.interp(np.linspace(0.0, 1.0, links), crowd / crowd[-1], u)
    nodes = np.concatenate([[0.0], throw["handle"] + throw["length"] * share])
    nodes[-1] = throw["handle"] + throw["length"]
    return nodes


def chain_of(throw: Mapping[str, float], links: int) -> Chain:
    """The line cut into links, the grip one of them."""
    line = line_of(throw)
    assert line.bending_stiffness is not None
    return build(line, nodes_of(throw, links), line.bending_stiffness)


def grip_of(throw: Mapping[str, float], duration: float) -> Grip:
    """The hand's motion, from time 0 to `duration` [s] and a little beyond."""
    span = throw["time"]
    time = np.arange(-5 * SAMPLE, duration + 6 * SAMPLE, SAMPLE)
    ahead = throw["amplitude"] * ease(time / span)
    up = ahead * np.sin(throw["direction"]) - throw["drop"] * ease(time / span - 0.5)
    angle = START_ANGLE - throw["turn"] * ease(time / span - throw["lag"])
    level = np.zeros_like(time)
    place = np.stack([ahead * np.cos(throw["direction"]), level, up], axis=1)
    return Grip(time, place, np.stack([np.cos(angle), level, np.sin(angle)], axis=1))


def start_of(chain: Chain, grip: Grip) -> Array:
    """Places (N + 1, 3) [m] of the nodes at rest: the line straight back from the grip's end."""
    place, direction = grip.at(np.zeros(1))[0][0], grip.at(np.zeros(1))[3][0]
    along = np.tile([-1.0, 0.0, 0.0], (chain.links, 1))
    along[0] = direction
    steps = np.cumsum(chain.length[:, None] * along, axis=0)
    return np.vstack([place, place + steps])


def law_of(throw: Mapping[str, float]) -> Law:
    """The law of drag and damping."""
    return Law(drag_normal=throw["drag"], damping_time=throw["damping"])


def air_of(throw: Mapping[str, float]) -> Medium:
    """The air."""
    return medium(Air(throw["temperature"], throw["pressure"], HUMIDITY))
