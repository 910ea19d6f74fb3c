"""A motion on its times, and what moves it, as the compiled kernels take them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.estimate.momentum_rows import KernelChain
from lashwave.mechanics import compiled
from lashwave.quantities import Array, Mask, Whole


class Course(NamedTuple):
    """The nodes' places and the links' directions over K times."""

    node: Array  # (K, N + 1, 3) [m]
    direction: Array  # (K, N, 3)
    chord: Array  # (K, N) [m]
    time: Array  # (K,) [s]
    share: Array  # (K, N), of the times before and after in pull and bending; see `bend_rows`
    swing: Array  # (K, N + 1, 3) [m/m], see `path.swing_of`; (K, 0, 3) where nothing moves so


class Dynamics(NamedTuple):
    """What moves the line, beside its chain (`FitSetup.kernel_chain`), as the kernels take it."""

    air: Array  # (3,) density, viscosity, speed of sound
    law: Array  # (5,)
    gravity: Array  # (3,) [m/s2]
    node_mass: Array  # (N + 1,) [kg]
    driven: Mask  # (N + 1,)
    hand_density: float  # [m2/s3]
    first: int
    last: int


SightingRows = tuple[Whole, Array, Array, Array, Whole, Array]
"""Node (R, 2), p (R, 2, 3), w (R, 3), rhs (R,), tcol (R, 6), tval (R, 6)."""


@compiled()
def laws_of(course: Course, chain: KernelChain) -> int:
    """Shared parameters that the dynamics hold: scales, shapes of stiffness and drag, the bend's
    place."""
    return 5 + chain[5].shape[0] + chain[7].shape[0] + min(course.swing.shape[1], 1)


@compiled()
def around(course: Course, k: int) -> tuple[Course, float, float]:
    """The course at times k - 1, k, k + 1, and the steps between them [s]."""
    near = slice(k - 1, k + 2)
    time = course.time[near]
    part = Course(
        course.node[near],
        course.direction[near],
        course.chord[near],
        time,
        course.share[near],
        course.swing[near],
    )
    return part, time[1] - time[0], time[2] - time[1]


@compiled()
def whitening(spread: Array, node_mass: Array, driven: Mask, h: float) -> Array:
    """Weight of each node's dynamics (N + 1,) [s/(kg m)]: zero where the node is driven.

    spread (N + 1,) [m2/s3], node_mass (N + 1,) [kg], h [s].
    """
    weight = np.zeros(node_mass.size)
    for i in range(node_mass.size):
        if not driven[i]:
            weight[i] = 1.0 / (node_mass[i] * np.sqrt(spread[i] * h))
    return weight
