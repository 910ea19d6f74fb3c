"""What is true of a virtual throw before any instrument looks at it."""

from __future__ import annotations

from dataclasses import dataclass

from lashwave.mechanics import Grip, Law
from lashwave.quantities import Air, Array, Line


@dataclass(frozen=True)
class Lash:
    """A line, the markers on it, and what the experimenter measured of both."""

    true: Line
    """With its stiffness as it is."""
    stated: Line
    """As the table says it, with the errors of measuring."""
    station: Array
    """(M,) [m], where the markers are; increasing."""
    stated_station: Array
    """(M,) [m], where the description says they are."""
    station_sd: float
    """[m]"""
    marker_mass: float
    """[kg]"""
    marker_diameter: float
    """[m]"""


@dataclass(frozen=True)
class ThrowScene:
    """One motion: line, hands, law and air."""

    kind: str
    """"throw", "swing" or "held"."""
    seed: int
    lash: Lash
    grip: Grip
    far: Grip | None
    law: Law
    """The true law; its factors are over what the stated line gives."""
    air: Air
    duration: float
    """[s], longest possible record; a throw's record ends soon after its crack."""
    choice: tuple[int, float] | None = None
    """Attempt and tempo of a throw, as `chosen` keeps them."""
