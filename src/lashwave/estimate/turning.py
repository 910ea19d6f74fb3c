"""What the turning of links adds to the curvature of the cost, beyond the squares of its slopes.

The end of a link that turns by an angle a does not move on a straight line but on an arc: along
the link it falls back by c a^2 / 2. So with G (3,) [1/m] the gradient of half the cost by the
places of all nodes beyond link j, half the Hessian holds -c_j t_j . G for both of its angles,
beside the product of the slopes (Gauss and Newton's part). Where sightings pull a line longer than
it is, this is large; a step without it goes too far, and is shortened again and again.

Only inertia and sightings pull so hard that it counts; air, bending and the arcs' own shortening
are left out. It serves the size of a step alone, not the posterior.
"""

from __future__ import annotations

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Whole


@compiled()
def add_inertia_pull(
    pull: Array, slots: Whole, row: Array, weight: Array, link_mass: Array, hm: float, hp: float
) -> None:
    """Add the inertia of one centre to the pulls (3, N + 1, 3) [1/m] of its times, by slot.

    row : of `dynamics_rows`, with the residual last; weight (N + 1,) of the nodes; link_mass (N, 3)
    [kg]; hm, hp : the steps [s].
    """
    share = (1.0 / hm, -1.0 / hm - 1.0 / hp, 1.0 / hp)
    for j in range(link_mass.shape[0]):
        for a in range(3):
            near = weight[j] * row[j, a, row.shape[2] - 1]
            far = weight[j + 1] * row[j + 1, a, row.shape[2] - 1]
            inner = link_mass[j, 0] * near + link_mass[j, 1] * far
            outer = link_mass[j, 1] * near + link_mass[j, 2] * far
            for s in range(3):
                pull[slots[s], j, a] += share[s] * inner
                pull[slots[s], j + 1, a] += share[s] * outer


@compiled()
def add_sighting_pull(
    pull: Array, slots: Whole, node: Whole, p: Array, w: Array, rhs: float
) -> None:
    """The same of one sighting, as `assembly.sighting_row` takes it, and its residual [sd].

    node (2,), p (2, 3) [sd/m], w (3,) [1]."""
    for s in range(3):
        for e in range(2):
            if node[e] >= 0:
                for a in range(3):
                    pull[slots[s], node[e], a] += w[s] * p[e, a] * rhs


@compiled()
def stiffening(pull: Array, direction: Array, chord: Array, out: Array) -> None:
    """Put -c t . G of each link into out (N,) [1/rad2]: what its angles' curvature gains.

    pull (N + 1, 3) [1/m], direction (N, 3), chord (N,) [m] of one time.
    """
    beyond = (0.0, 0.0, 0.0)
    for j in range(chord.size - 1, -1, -1):
        g = pull[j + 1]
        beyond = (beyond[0] + g[0], beyond[1] + g[1], beyond[2] + g[2])
        t = direction[j]
        out[j] = -chord[j] * (t[0] * beyond[0] + t[1] * beyond[1] + t[2] * beyond[2])
