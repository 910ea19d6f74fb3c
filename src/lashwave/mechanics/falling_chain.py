"""The falling arm of a folded chain, by how much of its energy the fold keeps.

A chain of length L hangs folded from a support; its free end is let go and has fallen by
x = u L. A fold that keeps all energy gives v^2 = 2 g x (1 - u / 2) / (1 - u) (Calkin and March,
Am. J. Phys. 57 (1989) 154; Wong and Yasui, Am. J. Phys. 74 (2006) 490); a perfectly plastic one,
in which each link is stopped by an inelastic blow and momentum alone is balanced, gives free
fall, v^2 = 2 g x. In between, a share e of what the plastic fold would lose is kept,

    v^2 = 2 g L u (1 - u + e u / 2) / (1 - u),    e = 1 energy kept, e = 0 plastic.

With u = sin^2 a and k = 1 - e / 2 the time is an incomplete elliptic integral (derived here),

    t = sqrt(2 L / g) [E(a | k) - (1 - k) F(a | k)] / k.

Range: no air, no bending, a fold and links much shorter than what is left of the falling arm.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipeinc, ellipkinc

from lashwave.quantities import Array

ENERGY, PLASTIC = 1.0, 0.0
"""Shares kept by the two classical folds."""


def fall_time(
    fallen: ArrayLike, length: float, gravity: float, kept: float = ENERGY
) -> NDArray[np.float64]:
    """When the free end has fallen so far.

    Parameters
    ----------
    fallen : (...,) [m], 0 to `length`; gravity : [m/s2].
    kept : share of energy, 0 to below 2 (over 1 is a fold that would add energy).

    Returns
    -------
    (...,) [s], from the release.
    """
    angle = np.arcsin(np.sqrt(np.asarray(fallen, dtype=float) / length))
    return np.asarray(np.sqrt(2.0 * length / gravity) * _unit_time(angle, kept))


def _unit_time(angle: Array, kept: float) -> Array:
    k = 1.0 - 0.5 * kept
    if k == 1.0:  # 0 times infinity at the end of the fall
        return np.asarray(np.sin(angle))
    return np.asarray((ellipeinc(angle, k) - (1.0 - k) * ellipkinc(angle, k)) / k)


@lru_cache(maxsize=64)
def _table(kept: float) -> tuple[Array, Array]:
    angle = np.linspace(0.0, 0.5 * np.pi, 4001)
    return angle, _unit_time(angle, kept)


def fallen_at(time: ArrayLike, length: float, gravity: float, kept: float = ENERGY) -> Array:
    """How far [m] the free end has fallen at times (...,) [s] from the release; 0 before it.

    Inverts `fall_time` on 4001 angles (to 1e-7 of the length); after the end of the fall it is
    the whole length.
    """
    angle, when = _table(kept)
    # in the angle the time is smooth at both ends; the distance is not
    unit = np.asarray(time, dtype=float) / np.sqrt(2.0 * length / gravity)
    at = np.interp(unit, when, angle)
    return np.asarray(length * np.sin(at) ** 2)


def time_ratio(kept: float = ENERGY) -> float:
    """Duration of the whole fall over that of a free fall through the same length."""
    return float(fall_time(1.0, 1.0, 2.0, kept))
