"""Drag of a chain at its nodes, by cause, with its derivatives."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics import body_drag, compiled, link_drag
from lashwave.quantities import Array


@compiled()
def _drag_of_link(
    v: Array, t: Array, length: float, diameter: float, air: Array, law: Array
) -> tuple[Array, Array, Array, Array]:
    """Drag of a straight link at mid velocity v: across, along (3,), and their sum's derivatives
    by v and by the direction t, (3, 3) each.

    air = (density, viscosity, sound speed), law = scales (normal, tangential, ...).
    """
    along = v[0] * t[0] + v[1] * t[1] + v[2] * t[2]
    n = v - along * t
    speed = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
    cross, skin, grade, slip = link_drag(
        speed, along, length, diameter, air[0], air[1], air[2], law[0], law[1]
    )
    per = grade * cross / speed**2 if speed > 1e-9 else 0.0
    d, turn = np.empty((3, 3)), np.empty((3, 3))
    for a in range(3):
        for b in range(3):
            tt = t[a] * t[b]
            eye = 1.0 if a == b else 0.0
            d[a, b] = -cross * (eye - tt) - per * n[a] * n[b] - (1.0 + slip) * skin * tt
            turn[a, b] = (cross - skin) * along * eye
            turn[a, b] += (per * along * n[a] + (cross - (1.0 + slip) * skin) * t[a]) * v[b]
    return -cross * n, -skin * along * t, d, turn


@compiled()
def _drag_of_body(v: Array, area: float, air: Array) -> tuple[Array, Array]:
    """Drag of a body of given drag area (3,), and its derivative by v (3, 3)."""
    speed = np.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    push = body_drag(speed, area, air[0])
    per = push / speed**2 if speed > 1e-9 else 0.0
    d = np.empty((3, 3))
    for a in range(3):
        for b in range(3):
            d[a, b] = -per * v[a] * v[b] - (push if a == b else 0.0)
    return -push * v, d


@compiled()
def air_forces(
    v: Array, t: Array, c: Array, diameter: Array, bluff: Array, tuft: float, air: Array, law: Array
) -> tuple[Array, Array, Array, Array]:
    """Drag at the nodes by cause (4 causes, N + 1, 3) [N]: across, along, tuft, markers;
    derivatives by velocity per link (N, 3, 3) and per node (N + 1, 3, 3), and of a link's drag by
    its direction (N, 3, 3).

    Markers' areas are as stated: the scale of drag across the line is the line's own.
    """
    links = c.size
    force = np.zeros((4, links + 1, 3))
    by_link, by_turn = np.zeros((links, 3, 3)), np.zeros((links, 3, 3))
    by_node = np.zeros((links + 1, 3, 3))
    for j in range(links):
        mid = 0.5 * (v[j] + v[j + 1])
        fn, ft, by_link[j], by_turn[j] = _drag_of_link(mid, t[j], c[j], diameter[j], air, law)
        for e in range(2):
            force[0, j + e] += 0.5 * fn
            force[1, j + e] += 0.5 * ft
    for i in range(links + 1):
        if bluff[i] > 0.0:
            f, d = _drag_of_body(v[i], bluff[i], air)
            force[3, i] += f
            by_node[i] += d
    if tuft > 0.0:
        f, d = _drag_of_body(v[links], tuft * law[2], air)
        force[2, links] += f
        by_node[links] += d
    return force, by_link, by_node, by_turn
