"""A design law in print, and as arrays that can be kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import TRIAL_GRAVITY, Array
from lashwave.study import groups, one_throw, throw_family
from lashwave.study.closed_forms import FORMS, LEFT
from lashwave.study.design_law import DesignLaw, Part
from lashwave.study.groups import PLAIN

SYMBOLS = {
    "peak_speed": "v",
    "peak_speed_100us": r"\bar v",
    "crack_time": "t",
    "crack_ahead": "x",
    "crack_up": "z",
    "peak_force": "F",
    "end_energy": "E",
}
_BY_NAME = {group.name: group for group in groups.GROUPS}


def latex(part: Part) -> str:
    """The equation of one output: its closed form and the powers of the groups."""
    form = FORMS[part.name]
    left = SYMBOLS[part.name]
    if form.ratio:
        factors = [
            rf"e^{{{power:.3g}\,{_plain(name)}}}"
            if name in PLAIN
            else rf"{_BY_NAME[name].symbol}^{{{power:.3g}}}"
            for name, power in part.power.items()
        ]
        constant = f"{np.exp(part.constant):.3g}"
        return rf"{left} = {constant}\,{form.latex}\;" + r"\,".join(factors)
    terms = [
        f"{power:+.3g}\\," + (_plain(name) if name in PLAIN else rf"\ln {_BY_NAME[name].symbol}")
        for name, power in part.power.items()
    ]
    return rf"{left} = {form.latex} + L\left({part.constant:.3g} {' '.join(terms)}\right)"


def _plain(name: str) -> str:
    """The symbol of a number that enters as itself."""
    return _BY_NAME[name].symbol.removeprefix("e^").strip("{}")


def document(law: DesignLaw) -> str:
    """All equations, the groups and their ranges, as the body of a LaTeX document."""
    lines = ["% Design law of a fold that runs to the tip; SI units.", r"\begin{align}"]
    lines += [latex(part) + r"\\" for part in law.parts.values()]
    lines += [r"\end{align}", r"\begin{tabular}{llrr}"]
    for j, group in enumerate(groups.GROUPS):
        low, high = law.low[j], law.high[j]
        if group.name not in PLAIN:
            low, high = np.exp(low), np.exp(high)
        symbol = _plain(group.name) if group.name in PLAIN else group.symbol
        formula = "" if symbol == group.formula or group.name in PLAIN else f"${group.formula}$"
        lines.append(rf"${symbol}$ & {formula} & {low:.3g} & {high:.3g}\\ % {group.meaning}")
    return "\n".join([*lines, r"\end{tabular}", ""])


def to_arrays(law: DesignLaw) -> dict[str, Any]:
    """Everything of a law, as arrays by name; shapes as in `Part` and `DesignLaw` [no unit]."""
    header = {
        "throws": law.throws,
        "groups": list(groups.NAMES),
        "parts": {
            name: {"constant": p.constant, "power": p.power, "factor": p.factor}
            for name, p in law.parts.items()
        },
        "scores": law.scores.to_dict("index"),
    }
    out: dict[str, Any] = {"header": np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)}
    out |= {"middle": law.middle, "spread": law.spread, "low": law.low, "high": law.high}
    for name, part in law.parts.items():
        out |= {
            f"{name}.places": part.places,
            f"{name}.rest": part.rest,
            f"{name}.theta": part.theta,
        }
    return out


def from_arrays(arrays: Mapping[str, Array]) -> DesignLaw:
    """The law that `to_arrays` took apart, of arrays of those shapes [no unit].

    Raises
    ------
    ValueError : the arrays are of no law, or of one with other groups.
    KeyError : one of them is missing.
    """
    header = json.loads(np.asarray(arrays["header"]).tobytes())
    if header["groups"] != list(groups.NAMES):
        raise ValueError("a law with other groups")
    parts = {
        name: Part(
            name, p["constant"], p["power"], arrays[f"{name}.places"], arrays[f"{name}.rest"],
            arrays[f"{name}.theta"], (p["factor"][0], p["factor"][1]),
        )
        for name, p in header["parts"].items()
    }  # fmt: skip
    scores = pd.DataFrame.from_dict(header["scores"], orient="index")
    return DesignLaw(
        parts, arrays["middle"], arrays["spread"], arrays["low"], arrays["high"],
        header["throws"], scores,
    )  # fmt: skip


AIR_STEPS = 9
"""Temperatures and pressures of the table from which a page reads the air."""
SHOWN_THROWS = 700
"""Throws that a page draws."""
AXES = ("length", "mass", "tip_ratio", "taper", "hand_speed", "loop", "peak_speed", "crack_time",
        "peak_force")  # fmt: skip
"""Of the parallel coordinates."""


def page_data(law: DesignLaw, throws: pd.DataFrame) -> dict[str, Any]:
    """What the page of a law needs to answer by the equation, and throws to draw; all plain.

    throws : those that the law was fitted to and that can be trusted.
    """
    units = {item.name: item.unit for item in one_throw.OUTPUTS}
    few = throws.iloc[:: max(1, len(throws) // SHOWN_THROWS)].reset_index(drop=True)
    said = law.predict(few)
    few = few.assign(hand_speed=groups.hand_speed(few), equation=said["peak_speed_equation"])
    return {
        "inputs": [
            {
                "name": i.name, "unit": i.unit, "low": i.low, "high": i.high, "even": i.even,
                "meaning": f"{i.whose}: {i.meaning}", "middle": throw_family.MIDDLE[i.name],
            }
            for i in throw_family.INPUTS
        ],
        "groups": [
            {
                "name": g.name, "powers": g.powers, "plain": g.name in PLAIN,
                "low": float(law.low[j]), "high": float(law.high[j]),
            }
            for j, g in enumerate(groups.GROUPS)
        ],
        "parts": [
            {
                "name": p.name, "constant": p.constant, "power": p.power, "half": p.factor[1],
                "ratio": FORMS[p.name].ratio, "unit": units[p.name],
            }
            for p in law.parts.values()
        ],
        "left": LEFT, "peak_rate": throw_family.PEAK_RATE,
        "gravity": float(np.linalg.norm(TRIAL_GRAVITY)), "air": _air_table(),
        "columns": list(AXES),
        "throws": {
            name: [float(f"{value:.5g}") for value in few[name]] for name in (*AXES, "equation")
        },
    }  # fmt: skip


def _air_table() -> dict[str, Any]:
    """Density, viscosity and speed of sound over temperature and pressure."""
    ends = {item.name: (item.low, item.high) for item in throw_family.INPUTS}
    warm, thick = (
        np.linspace(*ends[name], AIR_STEPS).tolist() for name in ("temperature", "pressure")
    )
    rows = [[throw_family.air_of({"temperature": t, "pressure": p}) for p in thick] for t in warm]
    values = [
        [[float(getattr(one, name)) for one in row] for row in rows]
        for name in ("density", "viscosity", "sound_speed")
    ]
    return {"temperature": warm, "pressure": thick, "values": values}
