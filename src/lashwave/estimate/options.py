"""What a user may turn in the fusion, and the densities that were set on twin trials."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Options:
    """Options of `estimate`. The defaults were set on twin trials, not on any one record."""

    spacing_butt: float = 0.050
    """Largest node spacing [m], at the grip."""
    spacing_tip: float = 0.020
    """Node spacing at the far end of a free line [m]."""
    spacing_clamp: float = 0.004
    """Next to a rigid end, where bending is sharpest [m]."""
    spacing_held: float = 0.040
    """Largest node spacing of a line held at both ends [m]."""
    most_links: int = 60
    """The spacing at the grip, and in the end at the tip, is widened until there are no more: the
    time of a fit grows with the cube of the links."""
    turn: float = 0.2
    """Rotation of the fastest link in one step of the final grid [rad]."""
    sweep_turn: float = 0.4
    """The same for the forward sweep."""
    longest_step: float = 1.5e-3
    """[s]"""
    shortest_step: float = 8e-6
    """[s]"""
    hand_density: float = 150.0
    """Of the random acceleration of a driven end [m2/s3]."""
    floor_density: float = 0.03
    """Of the random acceleration of the line where it hardly accelerates [m2/s3]."""
    grip_density: float = 40.0
    """The same at the first node after a rigid end; it falls with the square of the node's rank."""
    rough_density: float = 3.0e-4
    """Density at an acceleration of 1 m/s2 [m2/s3], growing with its power `rough_power`; both read
    off the residual of a converged simulation on this grid."""
    rough_power: float = 1.45
    draws: int = 120
    """Of the posterior; at least 100 are written."""
    degrees: float = 4.0
    """Degrees of freedom of the robust (Student) loss."""
    seed: int = 20260501
    """Of the posterior draws."""
    arms: bool = True
    """Whether markers' arms off the line are followed; else a stand-off is a spread of places."""
    known: tuple[tuple[str, float, float], ...] = ()
    """Shared parameters that other throws have made known, in place of what the trial states: name,
    mean and standard deviation, scales of the law as logarithms."""
