"""What the fusion returns: the motion, draws of its posterior, and how well it fits."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array, Single
from lashwave.quantities.foretold import Foretold
from lashwave.quantities.motions import Motions

DISTRUSTED = 0.4
"""A sighting whose robust weight is below this counts as distrusted (some 5 deviations)."""


@dataclass(frozen=True)
class Draws:
    """Draws of the posterior motion on the estimator's own grid.

    Position and velocity are float32 (0.2 um at 3 m), for they take most of the memory.
    D draws, K times, S stations (the output stations).
    """

    time: Array
    """(K,) [s]"""
    station: Array
    """(S,) [m]"""
    position: Single
    """(D, K, S, 3) [m]"""
    velocity: Single
    """(D, K, S, 3) [m/s]"""
    tension: Array
    """(D, K, S) [N]; nan on rigid ends."""
    hand_force: Array
    """(D, K, 3) [N], of the hand on grip and line; nan where the far end is held too."""
    hand_power: Array
    """(D, K) [W], of the hand's force and torque on grip and line; nan as the force is."""
    kinetic_energy: Array
    """(D, K) [J], grip and line."""
    shared: dict[str, Array]
    """(D,) each: clock_offset:CAMERA [s], registration_u:CAMERA [px], drag_normal [1], ..."""


@dataclass(frozen=True)
class FrontBirths:
    """When the front that a camera saw was born, in each draw of the motion joined with it."""

    time: Array
    """(D,) [s], lab clock of the draw; nan where the draw sends no such front."""
    late: Array
    """(D,) [s]: with the front known, the draw's motion happens this much later."""


@dataclass(frozen=True)
class Residuals:
    """Sightings against the fitted motion, in standard deviations."""

    marker: Array
    """(T, L, 3), nan where not seen."""
    marker_weight: Array
    """(T, L), 1 = fully trusted, 0 = distrusted; nan where not seen."""
    camera: dict[str, Array]
    """(P, 2) by camera name."""
    camera_weight: dict[str, Array]
    """(P,) by camera name."""
    whiteness: float
    """Mean lag-one correlation of the marker residuals; 0 = white."""


@dataclass(frozen=True)
class Withheld:
    """A check by leaving sightings out: where they fell against their stated intervals."""

    label: Array
    """(W,) station of the marker left out [m]"""
    count: NDArray[np.int64]
    """(W,) samples left out"""
    rms: Array
    """(W,) [m] of prediction minus sample, one coordinate"""
    coverage: Array
    """(W,) share of coordinates within their 95 % interval"""


@dataclass(frozen=True)
class Fit:
    """The result of `estimate`."""

    time: Array
    """(K,) [s], the estimator's grid."""
    station: Array
    """(S,) [m], output stations."""
    position: Array
    """(K, S, 3) [m]"""
    position_sd: Array
    velocity: Array
    """(K, S, 3) [m/s]"""
    velocity_sd: Array
    acceleration: Array
    """(K, S, 3) [m/s2]"""
    curvature: Array
    """(K, S) [1/m]"""
    tension: Array
    """(K, S) [N], nan on rigid ends"""
    tension_sd: Array
    draws: Draws
    residuals: Residuals
    shared: dict[str, tuple[float, float]]
    """Shared parameters, value and sd, named as in `summary.json`."""
    warnings: tuple[str, ...] = ()
    withheld: Withheld | None = None
    foretold: Foretold | None = None
    """Of the sightings that the user withheld."""
    history: tuple[dict[str, float], ...] = field(default_factory=tuple)
    """One record an iteration: cost, step, damping."""
    stand_off: float = 0.0
    """Of markers from the line's axis [m], as stated or as the sightings ask."""
    until: float = np.inf
    """Before this [s] a motion must end for most draws to hold no more energy than was given."""
    curvature_sd: Array | None = None
    """(K, S) [1/m], of the draws; None where nobody asked for it."""
    motions: Motions | None = None
    """Where more than one is followed; None where one alone fits."""
