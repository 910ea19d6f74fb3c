"""Forward motion of a line: a driven grip, a chain of rigid links, air, gravity, bending."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics import stepping, stiff
from lashwave.mechanics.air import Medium
from lashwave.mechanics.bending import bend_energy, sharpness
from lashwave.mechanics.chain import Chain
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.implicit import plan
from lashwave.mechanics.kernels import Body, Drive, pose
from lashwave.mechanics.law import Law
from lashwave.mechanics.rates import ACCOUNTS, Room, Setup, derivative, link_tension, room
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.trajectory import Accounts, Trajectory
from lashwave.quantities import Array, LashwaveError


@compiled(error_model="numpy")
def replay(
    setup: Setup,
    times: Array,
    states: Array,
    room: Room,
    position: Array,
    vectors: Array,
    tension: Array,
    push: Array,
    energy: Array,
) -> None:
    """Evaluate every state again; fill positions, (velocity, acceleration), tensions, energies.

    times : (T,) [s]. states : (T, S). position : (T, N + 1, 3) [m]. vectors : (2, T, N + 1, 3).
    tension : (T, N) [N]. push : (T, 3, 3) [N, and W]. energy : (T,) [J].
    """
    body = setup.body
    links = body.length.size
    slope = np.empty(states.shape[1])
    free = setup.last - setup.first
    for i in range(times.size):
        derivative(setup, times[i], states[i], slope, room)
        if setup.free:
            position[i, 0] = states[i, 6 * free : 6 * free + 3]
        else:
            position[i, 0] = room.near[0]
        for j in range(links):
            position[i, j + 1] = position[i, j] + body.length[j] * room.t[j]
        vectors[0, i] = room.v
        vectors[1, i] = room.a
        link_tension(setup, room, tension[i])
        push[i, :2] = room.push[:2]
        push[i, 2, 0] = slope[6 * free + 6]
        bent = 0.0
        for j in range(1, links):
            bent += body.bend[j] * bend_energy(sharpness(room.t[j - 1], room.t[j]))
        if setup.first == 0 and not setup.free:
            bent += body.bend[0] * bend_energy(sharpness(room.near[3], room.t[0]))
        if setup.held and setup.last == links:
            bent += body.bend[links] * bend_energy(sharpness(room.t[links - 1], room.far[3]))
        energy[i] = bent


def unfold(ready: Setup, times: Array, states: Array, steps: tuple[int, int, int]) -> Trajectory:
    """The trajectory of integrated states (T, S) at times (T,) [s]."""
    body = ready.body
    count, nodes = times.size, body.length.size + 1
    position = np.empty((count, nodes, 3))
    vectors = np.empty((2, count, nodes, 3))
    tension = np.full((count, nodes - 1), np.nan)
    push, bent = np.zeros((count, 3, 3)), np.empty(count)
    replay(ready, times, states, room(nodes - 1), position, vectors, tension, push, bent)
    velocity, acceleration = vectors
    mass = body.mass
    v0, v1 = velocity[:, :-1], velocity[:, 1:]
    moving = mass[:, 0] * (v0 * v0).sum(-1) + mass[:, 2] * (v1 * v1).sum(-1)
    moving += 2 * mass[:, 1] * (v0 * v1).sum(-1)
    node = np.zeros(nodes)
    node[:-1] += mass[:, 0] + mass[:, 1]
    node[1:] += mass[:, 1] + mass[:, 2]
    spent = states[:, -13:]
    accounts = Accounts(
        kinetic=0.5 * moving.sum(-1),
        gravity=-((position - position[0, 0]) @ body.gravity) @ node,
        bending=bent,
        hand_work=spent[:, 0],
        end_work=spent[:, 2],
        drag_work=spent[:, 1],
        damping_loss=spent[:, 3],
        hand_impulse=spent[:, 4:7],
        end_impulse=spent[:, 10:13],
        drag_impulse=spent[:, 7:10],
        momentum=np.einsum("n,tnk->tk", node, velocity),
        weight=node.sum() * body.gravity,
        time=times,
    )
    hand = push[:, 0] if not ready.free else np.zeros((count, 3))
    return Trajectory(
        times, position, velocity, acceleration, tension, hand, push[:, 1], push[:, 2, 0],
        accounts, steps,
    )  # fmt: skip


class SimulationError(LashwaveError):
    """The motion could not be carried on; the message says when and what to try."""


def _drive(grip: Grip | None) -> Drive:
    if grip is None:
        return Drive(np.array([0.0, 1.0]), np.zeros((1, 4, 6)))
    return Drive(*grip.pieces)


def setup(
    chain: Chain,
    grip: Grip | None,
    medium: Medium,
    gravity: ArrayLike,
    law: Law | None = None,
    far: Grip | None = None,
) -> Setup:
    """Bundle everything the kernels need.

    Parameters
    ----------
    grip : the driven near end; None leaves it free. far : the driven far end, None if free.
    gravity : (3,) [m/s2]
    """
    law = law or Law()
    first = chain.handle_links if grip is not None else 0
    last = chain.links - (chain.held_links if far is not None else 0)
    bluff = chain.bluff_area.copy()
    bluff[-1] += law.drag_tuft * chain.tuft_area
    bend = np.zeros(chain.links + 1)
    bend[: chain.links] = chain.bend * law.stiffness_scale
    damping = law.damping_time * np.append(chain.damping_factor, chain.damping_factor[-1])
    if grip is None:
        bend[0] = 0.0
    body = Body(
        np.ascontiguousarray(chain.link_mass, dtype=float), np.ascontiguousarray(chain.length),
        bend, np.ascontiguousarray(chain.diameter, dtype=float), bluff,
        np.asarray(gravity, dtype=float), float(medium.density), float(medium.viscosity),
        float(medium.sound_speed), law.drag_normal * chain.drag_factor, float(law.drag_tangential),
        damping, first, last,
    )  # fmt: skip
    return Setup(body, _drive(grip), _drive(far), grip is None, far is not None, first, last)


STIFF_STEP = 2e-5
"""[s]"""


def explicit_step(ready: Setup) -> float:
    """Longest step [s] at which the damping of the shortest bending wave stays stable explicitly.

    A zigzag of links of mass m and length l turns each about its middle, at the rate
    48 (k + damping k) / (m l^2); the fifth-order pair holds rates to 3.3 a step.
    """
    body = ready.body
    mass = body.mass[:, 0] + 2 * body.mass[:, 1] + body.mass[:, 2]
    stiffness = np.maximum(body.bend[:-1], body.bend[1:])
    square = 48.0 * float(np.max(stiffness / (mass * body.length**2)))
    return 3.3 / max(square * float(body.damping.max()), np.sqrt(square), 1e-9)


def _closing(chain: Chain, ready: Setup, t: Array, w: Array, time: float) -> Array:
    """Least link rates (M, 3) to add, so that a held far end moves as what holds it does."""
    near, far = np.empty((6, 3)), np.empty((6, 3))
    pose(ready.near, time, near)
    pose(ready.far, time, far)
    length = chain.length
    want = far[1] - near[1]
    want = want - length[: ready.first].sum() * near[4] - length[ready.last :].sum() * far[4]
    free = length[ready.first : ready.last, None]
    across = np.eye(3) - t[:, :, None] * t[:, None, :]
    give = (free[:, :, None] ** 2 * across).sum(0)
    push = np.linalg.lstsq(give, want - (free * w).sum(0), rcond=1e-9)[0]
    return np.asarray(free * (across @ push))


def start_state(
    chain: Chain,
    ready: Setup,
    position: Array,
    velocity: Array | None,
    time: float = 0.0,
) -> Array:
    """Flat state of node positions and velocities; only link directions and rates count.

    position, velocity : (N + 1, 3) [m, m/s]. Returns (S,), laid out as `rates` says.
    """
    free = slice(ready.first, ready.last)
    along = np.diff(position, axis=0)[free]
    t = along / np.linalg.norm(along, axis=1, keepdims=True)
    w = np.zeros_like(t)
    if velocity is not None:
        w = np.diff(velocity, axis=0)[free] / chain.length[free, None]
        w -= (w * t).sum(1, keepdims=True) * t
    if ready.held and not ready.free:
        w += _closing(chain, ready, t, w, time)
    base = np.zeros(6)
    if ready.free:
        base[:3] = position[0]
        base[3:] = 0.0 if velocity is None else velocity[0]
    return np.concatenate([t.ravel(), w.ravel(), base, np.zeros(ACCOUNTS)])


def simulate(
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
    rtol: float = 1e-5,
    implicit: bool | None = None,
    most_steps: int = 2_000_000,
) -> Trajectory:
    """Motion of a chain whose grip (and far end) is driven.

    Parameters
    ----------
    times : (T,) [s], increasing; the motion starts at times[0].
    start_position : (N + 1, 3) [m]; only its link directions count. None: the static rest shape.
    start_velocity : (N + 1, 3) [m/s]; None: every node moves as the base does.
    far : the far end's motion, where it is held; its direction counts with `held_links`.
    rtol : error allowed in one step, of node speeds relative to the largest.
    implicit : bending, damping and the tension's pull linearly implicit (order 3, for stiff lines);
        else all explicit (order 5, for slack ones and where a throw magnifies small errors). None:
        implicit only where the damping would hold an explicit step under `STIFF_STEP`.

    Raises
    ------
    SimulationError : the step size fell to nothing, or the number of steps ran out.
    """
    times = np.ascontiguousarray(times, dtype=float)
    ready = setup(chain, grip, medium, gravity, law, far)
    begin = float(times[0])
    if start_position is None:
        if grip is None:
            raise SimulationError("a line that nothing holds needs a start position")
        start_position = rest_shape(chain, grip, gravity, law, time=begin, far=far)
    place = np.asarray(start_position, dtype=float)
    start = start_state(chain, ready, place, start_velocity, begin)
    size = float(chain.station[-1])
    pull = float(np.linalg.norm(ready.body.gravity))
    floor = 0.1 * np.sqrt(max(pull, 0.1) * size)
    bounds = (rtol, floor, 0.1 * size, most_steps, room(chain.links))
    if implicit is None:
        implicit = explicit_step(ready) < STIFF_STEP
    if implicit:
        own = plan(ready.last - ready.first)
        states, steps = stiff.integrate(ready, times, start, *bounds, own)
    else:
        states, steps = stepping.integrate(ready, times, start, *bounds)
    if steps[0] < 0:
        raise SimulationError(
            "the motion could not be carried on: its step fell to nothing or "
            f"{most_steps} steps were spent; look at the grip's motion and the stiffness"
        )
    return unfold(ready, times, states, steps)


__all__ = ["Accounts", "Law", "SimulationError", "Trajectory", "setup", "simulate"]
