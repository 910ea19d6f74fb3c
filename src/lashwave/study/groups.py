"""The dimensionless groups of a throw: what a law may depend on (Buckingham, Phys. Rev. 4, 1914).

Twelve quantities with dimensions in kilogram, metre and second leave nine groups; with them go
numbers that have no dimension from the start. The groups were chosen to be read by a person; a test
shows that they span the null space of the dimension matrix.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from lashwave.quantities import TRIAL_GRAVITY, Array
from lashwave.study import throw_family
from lashwave.study.throw_family import PEAK_RATE

QUANTITIES: dict[str, tuple[int, int, int]] = {
    "length": (0, 1, 0),
    "mass": (1, 0, 0),
    "tip_diameter": (0, 1, 0),
    "tip_stiffness": (1, 3, -2),
    "damping": (0, 0, 1),
    "tuft_area": (0, 2, 0),
    "loop": (0, 1, 0),
    "hand_speed": (0, 1, -1),
    "air_density": (1, -3, 0),
    "air_viscosity": (1, -1, -1),
    "sound_speed": (0, 1, -1),
    "gravity": (0, 1, -2),
}
"""Powers of kg, m, s."""


class Group(NamedTuple):
    """One dimensionless number."""

    name: str
    symbol: str
    """LaTeX."""
    powers: dict[str, int]
    """Of `QUANTITIES`; empty for a number that has no dimension from the start."""
    formula: str
    """LaTeX."""
    meaning: str


GROUPS = (
    Group("fold", r"\Pi_D", {"loop": 1, "length": -1}, "D/L", "width of the fold over length"),
    Group("weight", r"\Pi_g", {"gravity": 1, "length": 1, "hand_speed": -2}, "gL/V_h^2",
          "gravity over inertia"),
    Group("bending", r"\Pi_B", {"tip_stiffness": 1, "mass": -1, "length": -1, "hand_speed": -2},
          "B_t/(mLV_h^2)", "bending of the tip over inertia"),
    Group("rubbing", r"\Pi_\tau", {"damping": 1, "hand_speed": 1, "length": -1}, r"\tau V_h/L",
          "damping time over that of the fold"),
    Group("drag", r"\Pi_d", {"air_density": 1, "tip_diameter": 1, "length": 2, "mass": -1},
          r"k\rho d_t L^2/m", "drag over inertia, with the scale k of the drag law"),
    Group("tuft", r"\Pi_S", {"air_density": 1, "tuft_area": 1, "length": 1, "mass": -1},
          r"\rho S L/m", "drag of the tuft over inertia"),
    Group("mach", r"\Pi_c", {"hand_speed": 1, "sound_speed": -1}, "V_h/c",
          "Mach number of the hand"),
    Group("reynolds", r"\Pi_\eta",
          {"air_density": 1, "hand_speed": 1, "tip_diameter": 1, "air_viscosity": -1},
          r"\rho V_h d_t/\eta", "Reynolds number of the tip at the hand's speed"),
    Group("slender", r"\Pi_t", {"tip_diameter": 1, "length": -1}, "d_t/L", "diameter over length"),
    Group("tip_ratio", "r", {}, "r", "linear density at the tip over the butt's"),
    Group("taper", "e^p", {}, "e^p", "power by which the linear density falls"),
    Group("direction", r"e^\theta", {}, r"e^\theta", "direction of the stroke over the level"),
    Group("follow", r"e^\phi", {}, r"e^\phi", "speed of the hand afterwards over its greatest one"),
)  # fmt: skip
NAMES = tuple(group.name for group in GROUPS)
PLAIN = ("taper", "direction", "follow")
"""Numbers that enter a law as themselves, not by their logarithm."""


def power_matrix() -> Array:
    """(Q, G) powers [no unit] of the quantities in those groups that have any."""
    names = list(QUANTITIES)
    groups = [group for group in GROUPS if group.powers]
    out = np.zeros((len(names), len(groups)))
    for j, group in enumerate(groups):
        for name, power in group.powers.items():
            out[names.index(name), j] = power
    return out


def quantities(throws: pd.DataFrame) -> pd.DataFrame:
    """`QUANTITIES` of throws given by the inputs of `throw_family`; SI."""
    rows = throws[list(throw_family.NAMES)].to_dict("records")
    air = [throw_family.air_of(row) for row in rows]
    tip = np.array([throw_family.tip_diameter(row) for row in rows])
    density = np.array([throw_family.butt_density(row) * row["tip_ratio"] for row in rows])
    found = {name: throws[name].to_numpy(float) for name in QUANTITIES if name in throws}
    found |= {
        "tip_diameter": tip,
        "hand_speed": hand_speed(throws),
        "tip_stiffness": throws["stiffness"].to_numpy(float) * density,
        "air_density": np.array([a.density for a in air]),
        "air_viscosity": np.array([a.viscosity for a in air]),
        "sound_speed": np.array([a.sound_speed for a in air]),
        "gravity": np.full(len(rows), float(np.linalg.norm(TRIAL_GRAVITY))),
    }
    return pd.DataFrame(found)


def group_table(throws: pd.DataFrame) -> pd.DataFrame:
    """The groups of throws, by name: logarithms but for `PLAIN`."""
    of = np.log(quantities(throws)[list(QUANTITIES)].to_numpy())
    sized = [group.name for group in GROUPS if group.powers]
    out = pd.DataFrame(of @ power_matrix(), columns=sized)
    out["drag"] += np.log(throws["drag"].to_numpy(float))
    out["tip_ratio"] = np.log(throws["tip_ratio"].to_numpy(float))
    for name in PLAIN:
        out[name] = throws[name].to_numpy(float)
    return out[list(NAMES)]


def hand_speed(throws: pd.DataFrame) -> Array:
    """Greatest speed of the strokes (M,) [m/s]."""
    return PEAK_RATE * throws["amplitude"].to_numpy(float) / throws["time"].to_numpy(float)
