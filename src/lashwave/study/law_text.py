"""A design law in print, and as arrays that can be kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import Array
from lashwave.study import groups
from lashwave.study.closed_forms import FORMS
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
