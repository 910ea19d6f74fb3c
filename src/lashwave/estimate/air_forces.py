"""Drag of a chain at its nodes, by cause, with its derivatives."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics import body_drag, compiled, link_drag
from lashwave.quantities import Array


@compiled()
def _add_drag_of_link(
    force: Array, d: Array, turn: Array, v: Array, t: Array, j: int, length: float,
    diameter: float, air: Array, law: Array,
) -> None:  # fmt: skip
    """Drag of straight link j at mid velocity, half of it at either end: across into force[0],
    along into force[1]. Its derivatives by the velocity and by the direction into d, turn (3, 3).

    air = (density, viscosity, sound speed), law = scales (normal, tangential, ...). No array is
    made on the way: to have memory for three numbers takes as long as the law.
    """
    t0, t1, t2 = t[j, 0], t[j, 1], t[j, 2]
    v0, v1, v2 = (
        0.5 * (v[j, 0] + v[j + 1, 0]),
        0.5 * (v[j, 1] + v[j + 1, 1]),
        0.5 * (v[j, 2] + v[j + 1, 2]),
    )
    along = v0 * t0 + v1 * t1 + v2 * t2
    n0, n1, n2 = v0 - along * t0, v1 - along * t1, v2 - along * t2
    speed = np.sqrt(n0**2 + n1**2 + n2**2)
    cross, skin, grade, slip = link_drag(
        speed, along, length, diameter, air[0], air[1], air[2], law[0], law[1]
    )
    per = grade * cross / speed**2 if speed > 1e-9 else 0.0
    velocity, normal, direction = (v0, v1, v2), (n0, n1, n2), (t0, t1, t2)
    for a in range(3):
        lean = per * along * normal[a] + (cross - (1.0 + slip) * skin) * direction[a]
        for b in range(3):
            tt = direction[a] * direction[b]
            eye = 1.0 if a == b else 0.0
            d[a, b] = -cross * (eye - tt) - per * normal[a] * normal[b] - (1.0 + slip) * skin * tt
            turn[a, b] = (cross - skin) * along * eye + lean * velocity[b]
        for e in range(2):
            force[0, j + e, a] -= 0.5 * cross * normal[a]
            force[1, j + e, a] -= 0.5 * skin * along * direction[a]


@compiled()
def _add_drag_of_body(force: Array, d: Array, v: Array, area: float, air: Array) -> None:
    """Drag of a body of given drag area into force (3,), and its derivative by v into d (3, 3)."""
    speed = np.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    push = body_drag(speed, area, air[0])
    per = push / speed**2 if speed > 1e-9 else 0.0
    for a in range(3):
        force[a] -= push * v[a]
        for b in range(3):
            d[a, b] -= per * v[a] * v[b] + (push if a == b else 0.0)


@compiled()
def air_forces(
    v: Array, t: Array, c: Array, diameter: Array, factor: Array, bluff: Array, tuft: float,
    air: Array, law: Array,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Drag at the nodes by cause (4 causes, N + 1, 3) [N]: across, along, tuft, markers;
    derivatives by velocity per link (N, 3, 3) and per node (N + 1, 3, 3), and of a link's drag by
    its direction (N, 3, 3).

    factor : (N,) [1] on each link's drag across, beside the scale in `law`.
    Markers' areas are as stated: the scale of drag across the line is the line's own.
    """
    links = c.size
    force = np.zeros((4, links + 1, 3))
    by_link, by_turn = np.zeros((links, 3, 3)), np.zeros((links, 3, 3))
    by_node = np.zeros((links + 1, 3, 3))
    own = law.copy()
    for j in range(links):
        own[0] = law[0] * factor[j]
        _add_drag_of_link(
            force, by_link[j], by_turn[j], v, t, j, c[j], diameter[j], air, own
        )  # fmt: skip
    for i in range(links + 1):
        if bluff[i] > 0.0:
            _add_drag_of_body(force[3, i], by_node[i], v[i], bluff[i], air)
    if tuft > 0.0:
        _add_drag_of_body(force[2, links], by_node[links], v[links], tuft * law[2], air)
    return force, by_link, by_node, by_turn
