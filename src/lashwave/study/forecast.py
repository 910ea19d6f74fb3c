"""Forward motion from a reconstructed state and hand: what the mechanics alone would have done.

The hand is a driven end; everything beyond it follows from the state at the start and the law. A
throw magnifies small differences of its start, so that beyond some horizon no model can follow:
an ensemble over draws of hand, start and law says how far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.estimate import FitSetup, Options, set_up
from lashwave.mechanics import Chain, Grip, Law, Medium, SimulationError, simulate
from lashwave.quantities import Array, InputError, Trial, interpolate


@dataclass(frozen=True)
class MotionOnNodes:
    """A motion on a chain's nodes."""

    time: Array
    """(K,) [s]"""
    position: Array
    """(K, N + 1, 3) [m]"""
    velocity: Array
    """(K, N + 1, 3) [m/s]"""

    def at(self, times: ArrayLike) -> tuple[Array, Array]:
        """Position [m] and velocity [m/s] (Q, N + 1, 3)."""
        return interpolate(self.time, self.position, self.velocity, times)


@dataclass(frozen=True)
class Rival:
    """One model of the forces."""

    name: str
    law: Law
    medium: Medium
    chain: Chain


def prepared(trial: Trial, links: int = 60) -> FitSetup:
    """The trial's chain, air and markers; raises InputError for a line held at both ends."""
    if trial.line.ends != "free":
        raise InputError(trial.name, "both ends are held", "predict a line with a free end")
    return set_up(trial, replace(Options(), most_links=links))


def on_nodes(
    time: Array, station: Array, position: Array, velocity: Array, chain: Chain
) -> MotionOnNodes:
    """A motion (K, S, 3) [m, m/s] at output stations, brought to a chain's nodes linearly."""
    s = chain.station
    i = np.clip(np.searchsorted(station, s, side="right") - 1, 0, station.size - 2)
    w = ((s - station[i]) / (station[i + 1] - station[i]))[:, None]

    def bring(field: Array) -> Array:
        return np.asarray((1 - w) * field[:, i] + w * field[:, i + 1], dtype=float)

    return MotionOnNodes(time, bring(position), bring(velocity))


def hand_of(seen: MotionOnNodes) -> Grip:
    """The grip's motion: place of the butt and direction of the first link."""
    along = seen.position[:, 1] - seen.position[:, 0]
    return Grip(seen.time, seen.position[:, 0], along)


def rivals(setup: FitSetup, law: Law) -> tuple[Rival, ...]:
    """The whole model first, then each with one part of the mechanics taken away.

    "no tuft drag" is there only where the trial states a tuft; its mass stays.
    """
    medium = Medium(*(float(x) for x in setup.air))
    chain = setup.chain
    found = [
        Rival("whole", law, medium, chain),
        Rival("no bending", replace(law, stiffness_scale=0.0), medium, chain),
        Rival("no drag", law, replace(medium, density=0.0), chain),
        Rival("drag without Mach", law, replace(medium, sound_speed=1e9), chain),
        Rival("no damping", replace(law, damping_time=0.0), medium, chain),
    ]
    if chain.tuft_area > 0:
        found.append(Rival("no tuft drag", replace(law, drag_tuft=0.0), medium, chain))
    return tuple(found)


def carry(
    rival: Rival, gravity: Array, seen: MotionOnNodes, times: Array, most_steps: int = 200_000
) -> tuple[Array, Array] | None:
    """Node positions and velocities (T, N + 1, 3) [m, m/s] from the state at times[0], hand seen.

    None where the motion could not be carried on (a model may be too stiff or too wild for its
    steps).
    """
    place, speed = seen.at(times[:1])
    try:
        run = simulate(
            rival.chain, hand_of(seen), rival.medium, gravity, rival.law, times,
            place[0], speed[0], rtol=1e-4, most_steps=most_steps,
        )  # fmt: skip
    except SimulationError:
        return None
    return run.position, run.velocity


def marker_nodes(setup: FitSetup) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Numbers (L,) of the markers on the free part of the line, and each's node (L,), no unit."""
    station = setup.trial.markers.station
    reach = setup.chain.station[setup.chain.handle_links]
    on = np.flatnonzero(np.isfinite(station) & (station > reach + 1e-9))
    node = np.abs(setup.chain.station[None, :] - station[on, None]).argmin(axis=1)
    return on, node.astype(np.int64)
