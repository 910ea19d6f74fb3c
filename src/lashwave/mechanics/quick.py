"""Forward motion of a line by the leapfrog, cheaper than `simulate` (`benchmarks/forward.py`)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics import leapfrog
from lashwave.mechanics.air import Medium
from lashwave.mechanics.chain import Chain
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.node_forces import bending_energy
from lashwave.mechanics.node_matrix import bending_matrix
from lashwave.mechanics.rates import Setup, room, spread
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.simulation import SimulationError, setup, start_state
from lashwave.mechanics.trajectory import Accounts, Trajectory
from lashwave.quantities import Array

FINENESS = (0.05, 0.25, 1e-3)
"""Most turn of a link a step [rad], most phase of a wave on a link a step [rad], longest step [s].
`benchmarks/forward.py` measures the error of a peak and the cost, at these and three others."""


def start_motion(
    chain: Chain, ready: Setup, position: Array, velocity: Array | None, time: float
) -> tuple[Array, Array]:
    """Places [m] and velocities [m/s] (N + 1, 3) of the state from which `simulate` would start."""
    state, space = start_state(chain, ready, position, velocity, time), room(chain.links)
    spread(ready, time, state, space)
    base = position[0] if ready.free else space.near[0]
    along = np.cumsum(chain.length[:, None] * space.t, axis=0)
    return np.vstack([base, base + along]), space.v


def _accounts(ready: Setup, mass: Array, times: Array, found: Array, spends: Array) -> Accounts:
    """The accounts of places and velocities found (3, T, N + 1, 3)."""
    place, speed = found[0], found[1]
    spent = spends[0]
    return Accounts(
        kinetic=0.5 * (speed**2).sum(-1) @ mass,
        gravity=-((place - place[0, 0]) @ ready.body.gravity) @ mass,
        bending=bending_energy(ready, times, place),
        hand_work=spent[:, 0],
        end_work=spent[:, 2],
        drag_work=spent[:, 1],
        damping_loss=spent[:, 3],
        hand_impulse=spent[:, 4:7],
        end_impulse=spent[:, 10:13],
        drag_impulse=spent[:, 7:10],
        momentum=mass @ speed,
        weight=mass.sum() * ready.body.gravity,
        time=times,
    )


def simulate_quickly(
    chain: Chain,
    grip: Grip | None,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
    times: ArrayLike = (0.0, 1.0),
    start_position: Array | None = None,
    start_velocity: Array | None = None,
    *,
    far: Grip | None = None,
    fineness: tuple[float, float, float] = FINENESS,
    most_steps: int = 1_000_000,
) -> Trajectory:
    """Motion of a chain whose grip (and far end) is driven, with its mass at its nodes.

    Parameters
    ----------
    times : (T,) [s], increasing; the motion starts at times[0].
    start_position, start_velocity : as of `simulate`.
    far : the far end's motion, where it is held.
    fineness : see `FINENESS`; halving the first two divides the error by four.

    Mass at the nodes (row sums of the consistent mass) is another, equally fine cut of the line: at
    100 links its peaks differ from those of `simulate` as two such cuts do, by up to 10 % on a
    throw that magnifies small differences; both converge with the links.

    Raises
    ------
    SimulationError : the links could not be held at their lengths, or the steps ran out.
    """
    times = np.ascontiguousarray(times, dtype=float)
    ready = setup(chain, grip, medium, gravity, law, far)
    if start_position is None:
        if grip is None:
            raise SimulationError("a line that nothing holds needs a start position")
        start_position = rest_shape(chain, grip, gravity, law, time=float(times[0]), far=far)
    place, speed = start_motion(
        chain, ready, np.asarray(start_position, dtype=float), start_velocity, float(times[0])
    )
    mass = chain.node_mass
    found = np.empty((3, times.size, mass.size, 3))
    pulls = np.empty((times.size, chain.links))
    spends = np.empty((2, times.size, 13))
    steps, turns = leapfrog.integrate(
        ready, bending_matrix(ready), mass, times, place, speed, np.array(fineness), most_steps,
        found, pulls, spends,
    )  # fmt: skip
    if steps < 0:
        raise SimulationError(
            f"the links could not be held at their lengths after {-steps} steps; look at the "
            "grip's motion, or make the first two numbers of `fineness` smaller"
        )
    pulls[:, : ready.first] = np.nan
    pulls[:, ready.last :] = np.nan
    rates = spends[1]
    return Trajectory(
        times, found[0], found[1], found[2], pulls, rates[:, 4:7], rates[:, 10:13], rates[:, 0],
        _accounts(ready, mass, times, found, spends), (steps, 0, turns),
    )  # fmt: skip
