"""The family of throws that ensembles, sensitivities and the design law are about.

It begins where the hand has ended its stroke: the line lies folded over, an arm of it flies on
straight over the hand as fast as the hand was, and the fold, a half circle, runs toward the tip.
The stroke is a smooth one of an amplitude and a time; of it only the greatest speed matters. The
hand stops, or goes on with a share of that speed. The line's linear density falls from butt to tip
as tip + (butt - tip) (1 - x)^taper; its bending stiffness over its linear density grows with its
diameter. What the hand did before, and waves it may have left on the line, are no part of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from lashwave.mechanics import Chain, Grip, Law, Medium, build, medium
from lashwave.quantities import Air, Array, Line, Tuft

BEHIND = 0.02
"""Share of the line that lies straight between hand and fold at the beginning."""
HUMIDITY = 0.5
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
    Input("length", "m", 1.5, 2.6, "log", "line", "of the line"),
    Input("mass", "kg", 0.05, 0.15, "log", "line", "of the line"),
    Input("tip_ratio", "1", 0.08, 0.4, "log", "line", "linear density at the tip over the butt's"),
    Input("taper", "1", 0.8, 2.0, "plain", "line", "power by which the linear density falls"),
    Input("cord_density", "kg/m3", 700.0, 1000.0, "log", "line", "mass over volume"),
    Input("stiffness", "m4/s2", 0.02, 0.1, "log", "line",
          "bending stiffness over linear density, at the tip"),
    Input("damping", "s", 2e-3, 1e-2, "log", "line", "damping time of bending"),
    Input("tuft_area", "m2", 1e-6, 2e-5, "log", "line", "drag area at the tip"),
    Input("drag", "1", 0.8, 1.25, "log", "line", "drag across the line over the law's"),
    Input("amplitude", "m", 0.8, 1.3, "log", "hand", "of the stroke"),
    Input("time", "s", 0.18, 0.28, "log", "hand", "of the stroke"),
    Input("direction", "rad", -0.2, 0.4, "plain", "hand", "of the stroke over the level"),
    Input("loop", "m", 0.2, 0.35, "log", "hand", "width of the fold at the beginning"),
    Input("follow", "1", -0.1, 0.3, "plain", "hand",
          "speed of the hand afterwards over its greatest one"),
    Input("temperature", "K", 278.0, 308.0, "plain", "air", "of the air"),
    Input("pressure", "Pa", 8e4, 1.03e5, "plain", "air", "of the air"),
)  # fmt: skip
DIMENSIONS = {
    item.name: {
        "m": "length", "kg": "mass", "s": "time", "K": "temperature", "Pa": "pressure",
        "m2": "area", "rad": "angle", "kg/m3": "density", "m4/s2": "specific stiffness",
        "1": "ratio",
    }[item.unit]
    for item in INPUTS
}  # fmt: skip
"""Of the inputs, as `units.SI` names them."""
MIDDLE = {
    item.name: (item.low * item.high) ** 0.5 if item.even == "log" else (item.low + item.high) / 2
    for item in INPUTS
}
"""Of each range, SI."""
NAMES = tuple(item.name for item in INPUTS)


def scaled(share: Array, ranges: Mapping[str, tuple[float, float]] | None = None) -> Array:
    """Inputs (M, D) [SI, as m] of places (M, D) in the unit cube; ranges replace the family's."""
    out = np.empty_like(share)
    for j, item in enumerate(INPUTS):
        low, high = (ranges or {}).get(item.name, (item.low, item.high))
        if item.even == "log":
            out[:, j] = low * (high / low) ** share[:, j]
        else:
            out[:, j] = low + (high - low) * share[:, j]
    return out


def hand_speed(throw: Mapping[str, float]) -> float:
    """Greatest speed of the stroke [m/s]."""
    return PEAK_RATE * throw["amplitude"] / throw["time"]


def mean_ratio(tip_ratio: Array | float, taper: Array | float) -> Array:
    """Mean linear density over the butt's [1]; any shape."""
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
    """The line."""
    station = throw["length"] * np.linspace(0.0, 1.0, 61)
    x = station / throw["length"]
    shape = throw["tip_ratio"] + (1.0 - throw["tip_ratio"]) * (1.0 - x) ** throw["taper"]
    density = butt_density(throw) * shape
    diameter = np.sqrt(4.0 * density / (np.pi * throw["cord_density"]))
    stiffness = throw["stiffness"] * density * diameter / diameter[-1]
    tuft = Tuft(throw["tuft_area"], 0.0, 0.0)
    return Line(station, diameter, density, stiffness, tuft=tuft)


def nodes_of(throw: Mapping[str, float], links: int) -> Array:
    """Node stations (links + 1,) [m], four times closer at the tip."""
    u = np.linspace(0.0, 1.0, 2001)
    wide = 1.0 + 3.0 * (1.0 - u)
    crowd = np.concatenate([[0.0], np.cumsum(0.5 * (1 / wide[1:] + 1 / wide[:-1]))])
    share = np.interp(np.linspace(0.0, 1.0, links + 1), crowd / crowd[-1], u)
    share[-1] = 1.0
    return np.asarray(throw["length"] * share)


def chain_of(throw: Mapping[str, float], links: int, line: Line | None = None) -> Chain:
    """The line, or another one as long, cut into links."""
    line = line_of(throw) if line is None else line
    assert line.bending_stiffness is not None
    return build(line, nodes_of(throw, links), line.bending_stiffness)


def forward(throw: Mapping[str, float]) -> Array:
    """Direction of the stroke (3,), a unit vector."""
    return np.array([np.cos(throw["direction"]), 0.0, np.sin(throw["direction"])])


def grip_of(throw: Mapping[str, float], duration: float) -> Grip:
    """The hand's motion, from time 0 to `duration` [s]; it begins at the origin."""
    ends = np.array([-1.0, duration + 1.0])
    way = throw["follow"] * hand_speed(throw) * ends[:, None] * forward(throw)
    return Grip(ends, way, np.tile(forward(throw), (2, 1)))


def start_of(throw: Mapping[str, float], chain: Chain) -> tuple[Array, Array]:
    """Places [m] and velocities [m/s] (N + 1, 3) of the nodes as the fold sets out.

    Behind the fold the line moves with the hand, beyond it with the stroke's speed; in the fold
    the material rolls.
    """
    ahead = forward(throw)
    over = np.array([-ahead[2], 0.0, ahead[0]])
    radius, begin = 0.5 * throw["loop"], BEHIND * throw["length"]
    turn = np.clip((chain.station - begin) / radius, 0.0, np.pi)[:, None]
    straight = np.clip(chain.station, 0.0, begin) - np.clip(
        chain.station - begin - np.pi * radius, 0.0, None
    )
    nodes = (straight[:, None] + radius * np.sin(turn)) * ahead + radius * (1 - np.cos(turn)) * over
    along = np.cos(turn) * ahead + np.sin(turn) * over
    speed = hand_speed(throw)
    rolling = 0.5 * (1.0 - throw["follow"]) * speed * (ahead - along)
    moved = throw["follow"] * speed * ahead + rolling
    # Links as long as they are, and turning without being stretched.
    t = np.diff(nodes, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    rate = np.diff(moved, axis=0)
    rate -= (rate * t).sum(axis=1, keepdims=True) * t
    still = np.zeros((1, 3))
    links = np.cumsum(chain.length[:, None] * t, axis=0)
    along = np.vstack([still, np.cumsum(rate, axis=0)])
    # Links cut the fold's corners; the arm is to be as fast as the stroke all the same.
    arm = (1.0 - throw["follow"]) * speed
    return np.vstack([still, links]), moved[0] + along * (arm / float(along[-1] @ ahead))


def law_of(throw: Mapping[str, float]) -> Law:
    """The law of drag and damping."""
    return Law(drag_normal=throw["drag"], damping_time=throw["damping"])


def air_of(throw: Mapping[str, float]) -> Medium:
    """The air."""
    return medium(Air(throw["temperature"], throw["pressure"], HUMIDITY))
