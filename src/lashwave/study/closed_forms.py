"""Closed forms of a fold that runs out on a tapered line.

No air, no bending, no gravity: the kinetic energy of the free arm is kept while the mass beyond the
fold falls (Wong and Yasui, Am. J. Phys. 74 (2006) 490; Goriely and McMillen, Phys. Rev. Lett. 88
(2002) 244301), so V = V0 sqrt(m0 / m), the fold runs at V / 2, and the held end pulls with
mu V^2 / 4. Linear density as tip + (butt - tip) (1 - x)^taper, x from butt to tip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from lashwave.quantities import Array
from lashwave.study.groups import hand_speed
from lashwave.study.throw_family import mean_ratio

LEFT = 0.05
"""Share of the line beyond the fold when the closed form of the speed is read: where a fold is as
long as what is left, it ends."""


def mass_beyond(left: Array | float, tip_ratio: Array | float, taper: Array | float) -> Array:
    """Share [1] of the line's mass in its last part `left` [1] of the length; any shape."""
    left, r, p = np.asarray(left), np.asarray(tip_ratio), np.asarray(taper)
    return np.asarray((r * left + (1 - r) * left ** (p + 1) / (p + 1)) / mean_ratio(r, p))


def fold_speed(left: Array | float, tip_ratio: Array | float, taper: Array | float) -> Array:
    """Speed of the free arm over its speed when the fold stood at the butt [1]; any shape."""
    return np.asarray(mass_beyond(left, tip_ratio, taper) ** -0.5)


def fold_time(tip_ratio: Array | float, taper: Array | float) -> Array:
    """Time of the fold from butt to tip (M,), times first speed over length [1].

    4 / (p + 3) at tip_ratio 0.

    The integral of 2 sqrt(m) over what is left; its integrand has a root at the tip, so it is taken
    over the square root of what is left.
    """
    x, w = np.polynomial.legendre.leggauss(64)
    root = 0.5 * (1 + x)
    r, p = np.atleast_1d(tip_ratio)[:, None], np.atleast_1d(taper)[:, None]
    inner = 2.0 * np.sqrt(mass_beyond(root**2, r, p)) * 2.0 * root
    return np.asarray((inner * 0.5 * w).sum(axis=1))


class Form(NamedTuple):
    """The closed form that a law of one output starts from."""

    latex: str
    ratio: bool
    """The law is a factor on it; else it is added, in lengths of the line."""


FORMS = {
    "peak_speed": Form(r"\left(\phi V_h+V\sqrt{m/m_e}\right)", True),
    "peak_speed_100us": Form(r"\left(\phi V_h+V\sqrt{m/m_e}\right)", True),
    "crack_time": Form(r"\frac{2L}{V}\int_0^1\!\sqrt{m(\xi)/m}\,d\xi", True),
    "crack_ahead": Form(r"(L+\phi V_h t)\cos\theta", False),
    "crack_up": Form(r"(L+\phi V_h t)\sin\theta", False),
    "peak_force": Form(r"\mu_0V^2/4", True),
    "end_energy": Form(r"\tfrac12 mV^2", True),
}
"""V_h: the hand's greatest speed; V = (1 - phi) V_h: that of the arm past the hand; t: crack_time's
form."""


def closed_forms(throws: pd.DataFrame) -> pd.DataFrame:
    """The closed form of every output of throws, SI."""
    t = {name: throws[name].to_numpy(float) for name in throws.columns if name != "bad"}
    hand = hand_speed(throws)
    speed = (1.0 - t["follow"]) * hand
    peak = t["follow"] * hand + speed * fold_speed(LEFT, t["tip_ratio"], t["taper"])
    run = fold_time(t["tip_ratio"], t["taper"]) * t["length"] / speed
    reach = t["length"] + t["follow"] * hand * run
    butt = t["mass"] / t["length"] / mean_ratio(t["tip_ratio"], t["taper"])
    return pd.DataFrame({
        "peak_speed": peak,
        "peak_speed_100us": peak,
        "crack_time": run,
        "crack_ahead": reach * np.cos(t["direction"]),
        "crack_up": reach * np.sin(t["direction"]),
        "peak_force": 0.25 * butt * speed**2,
        "end_energy": 0.5 * t["mass"] * speed**2,
    })  # fmt: skip


def over_form(throws: pd.DataFrame, name: str, value: Array) -> Array:
    """What a law adds to the closed form (M,): a logarithm [1], or a length over the line's [1]."""
    form = closed_forms(throws)[name].to_numpy()
    if FORMS[name].ratio:
        return np.asarray(np.log(value / form))
    return np.asarray((value - form) / throws["length"].to_numpy(float))


def from_form(throws: pd.DataFrame, name: str, added: Array) -> Array:
    """The output (M,) [SI unit of its own, as m/s] from what a law adds to its closed form."""
    form = closed_forms(throws)[name].to_numpy()
    if FORMS[name].ratio:
        return np.asarray(form * np.exp(added))
    return np.asarray(form + added * throws["length"].to_numpy(float))
