"""The dynamics of a chain at one time as whitened least-squares rows, with their derivatives.

Unknowns at a time: the base point and, for each link, a rotation of its direction in the two
tangent axes E_j. Node places are x_i = b + sum_{j<i} c_j t_j with chords c_j. At an inner time k,
with steps h- and h+ and H their mean,

    r = M (v+ - v-) - H (F(x, v) + M g) - A lam,        (impulse form, second order in h)

where lam = H times the tensions enters linearly and at that time only, so it is eliminated by
orthogonal projection, or rotation, of the rows (variable projection, Golub and Pereyra 1973, with
Kaufman's simplification).
Rows are divided by m_i sqrt(S_i H), S_i [m2/s3] the spectral density of the random acceleration.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.air_forces import air_forces
from lashwave.estimate.bend_rows import (
    bend_columns,
    bend_forces,
    mean_directions,
    side_shares,
    time_shares,
)
from lashwave.estimate.local_rows import AHEAD, WIDE, put_places
from lashwave.mechanics import compiled
from lashwave.quantities import Array

KernelChain = tuple[Array, Array, Array, Array, float, Array, Array, Array]
"""A chain as the kernels take it; see `FitSetup.kernel_chain`."""
# Order of the shared logarithmic scales in the columns.
LAW_NAMES = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")


@compiled()
def mass_times(link_mass: Array, y: Array) -> Array:
    """Consistent mass (N, 3) [kg] times nodal vectors (N + 1, 3)."""
    out = np.zeros_like(y)
    for j in range(link_mass.shape[0]):
        for a in range(3):
            out[j, a] += link_mass[j, 0] * y[j, a] + link_mass[j, 1] * y[j + 1, a]
            out[j + 1, a] += link_mass[j, 1] * y[j, a] + link_mass[j, 2] * y[j + 1, a]
    return out


@compiled()
def project_out_tensions(rhs: Array, t: Array, weight: Array, first: int, last: int) -> Array:
    """Remove from a whitened residual (3 (N + 1),) [sd] what tensions can explain; gives (N,).

    t (N, 3): directions in which the links pull; weight (N + 1,): the whitening of each node, 0
    for driven nodes; links first..last - 1 carry a tension. The matrix
    of the normal equations is tridiagonal.
    """
    links = t.shape[0]
    lam = np.zeros(links)
    diag = np.ones(links)
    off = np.zeros(links)
    for j in range(first, last):
        diag[j] = 0.0
        for x in range(3):
            diag[j] += (weight[j] ** 2 + weight[j + 1] ** 2) * t[j, x] ** 2
            lam[j] += t[j, x] * (weight[j] * rhs[3 * j + x] - weight[j + 1] * rhs[3 * j + 3 + x])
        if j > first:
            for x in range(3):
                off[j] -= weight[j] ** 2 * t[j, x] * t[j - 1, x]
            f = off[j] / diag[j - 1]
            diag[j] -= f * off[j]
            lam[j] -= f * lam[j - 1]
    for j in range(last - 1, first - 1, -1):
        if j + 1 < last:
            lam[j] -= off[j + 1] * lam[j + 1]
        lam[j] /= diag[j]
    for j in range(first, last):
        for x in range(3):
            rhs[3 * j + x] -= weight[j] * t[j, x] * lam[j]
            rhs[3 * j + 3 + x] += weight[j + 1] * t[j, x] * lam[j]
    return lam


@compiled()
def impulse_residual(
    x: Array,
    t: Array,
    mean: Array,
    c: Array,
    hm: float,
    hp: float,
    chain: KernelChain,
    air: Array,
    law: Array,
    gravity: Array,
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """r without tensions (N + 1, 3) [N s] at the middle of three times, and what it was made of.

    x (3, N + 1, 3), t (3, N, 3), c (3, N): places, directions, chords at k-1, k, k+1; mean (N, 3):
    directions by which bending acts; chain = (link_mass, bend, diameter, bluff, tuft, shapes of
    stiffness, drag's factors, shapes of drag).
    law = scales (4) and damping time.

    Returns r, air forces by cause, bend forces (elastic, damping), the drag's derivatives as from
    `air_forces`.
    """
    link_mass, bend, diameter, bluff, tuft = chain[:5]
    h = 0.5 * (hm + hp)
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    v = am * x[0] - (am + ap) * x[1] + ap * x[2]
    rate = am * t[0] - (am + ap) * t[1] + ap * t[2]
    jump = (x[2] - x[1]) / hp - (x[1] - x[0]) / hm
    for i in range(jump.shape[0]):
        jump[i] -= h * gravity
    fair, by_link, by_node, by_turn = air_forces(
        v, t[1], c[1], diameter, chain[6], bluff, tuft, air, law
    )
    fbend = bend_forces(t[1], mean, rate, c[1], bend, law[3], law[4])
    r = mass_times(link_mass, jump)
    r -= h * (fair[0] + fair[1] + fair[2] + fair[3] + fbend[0] + fbend[1])
    return r, fair, fbend, by_link, by_node, by_turn


@compiled()
def weighted(r: Array, weight: Array) -> Array:
    """Nodal vectors (N + 1, 3) times a weight a node, in one row (3 (N + 1),) [sd]."""
    rhs = np.empty(3 * weight.size)
    for i in range(weight.size):
        for a in range(3):
            rhs[3 * i + a] = weight[i] * r[i, a]
    return rhs


@compiled()
def wanted_shares(
    x: Array,
    t: Array,
    c: Array,
    hm: float,
    hp: float,
    chain: KernelChain,
    air: Array,
    law: Array,
    gravity: Array,
    weight: Array,
    first: int,
    last: int,
) -> Array:
    """Shares (N,) [1] of either side time that the pull at the middle asks for: `side_shares`."""
    h = 0.5 * (hm + hp)
    r = impulse_residual(x, t, t[1], c, hm, hp, chain, air, law, gravity)[0]
    lam = project_out_tensions(weighted(r, weight), t[1], weight, first, last)
    return side_shares(chain[0], law[3] * chain[1], lam / h, c[1], h)


@compiled()
def whitened_residual(
    x: Array,
    t: Array,
    c: Array,
    hm: float,
    hp: float,
    chain: KernelChain,
    air: Array,
    law: Array,
    gravity: Array,
    weight: Array,
    share: Array,
    first: int,
    last: int,
) -> tuple[Array, Array]:
    """Whitened residual (3 (N + 1),) without what tensions explain, and the tensions (N,) [N].

    share : (N,) of either side time, as of `wanted_shares`.
    """
    mean = mean_directions(t, time_shares(share, hm, hp))
    r = impulse_residual(x, t, mean, c, hm, hp, chain, air, law, gravity)[0]
    rhs = weighted(r, weight)
    lam = project_out_tensions(rhs, mean, weight, first, last)
    return rhs, lam / (0.5 * (hm + hp))


@compiled()
def _mass_and_drag(
    row: Array,
    windows: Array,
    hm: float,
    hp: float,
    link_mass: Array,
    by_link: Array,
    by_node: Array,
    weight: Array,
) -> None:
    """Inertia and drag for all three times (rows are whitened as they are filled)."""
    links = link_mass.shape[0]
    h = 0.5 * (hm + hp)
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    mass_coefficient = (1.0 / hm, -1.0 / hm - 1.0 / hp, 1.0 / hp)
    rate_coefficient = (am, -am - ap, ap)
    back, sum_, ahead = np.empty(3), np.empty(3), np.empty(3)
    for i in range(links + 1):
        if weight[i] == 0.0:
            continue
        lower = link_mass[i - 1, 1] if i > 0 else 0.0
        own = (link_mass[i - 1, 2] if i > 0 else 0.0) + (link_mass[i, 0] if i < links else 0.0)
        upper = link_mass[i, 1] if i < links else 0.0
        for s in range(3):
            cm, cr = weight[i] * mass_coefficient[s], -h * weight[i] * rate_coefficient[s]
            for a in range(3):
                for b in range(3):
                    before = 0.25 * cr * by_link[i - 1, a, b] if i > 0 else 0.0
                    after = 0.25 * cr * by_link[i, a, b] if i < links else 0.0
                    eye = cm if a == b else 0.0
                    back[b] = eye * lower + before
                    ahead[b] = eye * upper + after
                    sum_[b] = eye * (lower + own + upper) + cr * by_node[i, a, b]
                    sum_[b] += 2.0 * (before + after)
                put_places(row[i, a], s, back, sum_, ahead, windows[s, i])


@compiled()
def _drag_turned(row: Array, E: Array, by_turn: Array, h: float, weight: Array) -> None:
    """That a link's drag turns with it, half at either end, in the columns of the middle time."""
    for j in range(by_turn.shape[0]):
        for e in range(2):
            for a in range(3):
                pull = 0.0
                for b in range(3):
                    pull += 0.5 * h * by_turn[j, a, b] * E[j, b, e]
                row[j, a, WIDE + 7 + e] -= weight[j] * pull
                row[j + 1, a, WIDE + 5 + e] -= weight[j + 1] * pull


@compiled()
def _chords_changed(
    row: Array, t: Array, c: Array, aired: Array, bent: Array, windows: Array, h: float,
    weight: Array,
) -> None:  # fmt: skip
    """That drag grows with a link's chord, and its couples act by longer levers.

    aired, bent : forces of the links' drag and of bending at the nodes (N + 1, 3) [N];
    windows : (N + 1, ...) of `local_rows.windows`, at the middle time.
    """
    pair = np.zeros(3)  # of bending: a link's force on its far node, its opposite on the near one
    half = np.zeros(3)  # of a link's drag
    for j in range(c.size):
        pair -= bent[j]
        half = aired[j] - half
        for q in range(2, 8):
            longer = 0.0
            for a in range(3):
                longer += t[j, a] * windows[j, AHEAD, a, q]
            for a in range(3):
                grown = h / c[j] * longer
                row[j, a, WIDE + 3 + q] -= weight[j] * grown * (half[a] + pair[a])
                row[j + 1, a, WIDE + 1 + q] -= weight[j + 1] * grown * (half[a] - pair[a])


@compiled()
def _law_columns(
    row: Array, fair: Array, fbend: Array, rhs: Array, h: float, weight: Array
) -> None:
    """The columns of the scales `LAW_NAMES`, and the residual (3 (N + 1),) [sd], last in a row."""
    shared = 3 * WIDE
    for i in range(weight.size):
        for a in range(3):
            f = -h * weight[i]
            row[i, a, shared] = f * fair[0, i, a]
            row[i, a, shared + 1] = f * fair[1, i, a]
            row[i, a, shared + 2] = f * fair[2, i, a]
            row[i, a, shared + 3] = f * (fbend[0, i, a] + fbend[1, i, a])
            row[i, a, shared + 4] = f * fbend[1, i, a]
            row[i, a, row.shape[2] - 1] = rhs[3 * i + a]


@compiled()
def _shape_columns(
    row: Array, t: Array, mean: Array, c: Array, hm: float, hp: float, chain: KernelChain,
    law: Array, weight: Array,
) -> None:  # fmt: skip
    """Bending of joints whose stiffness is shifted along each of the shapes in chain[5]."""
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    rate = am * t[0] - (am + ap) * t[1] + ap * t[2]
    for p in range(chain[5].shape[0]):
        part = bend_forces(t[1], mean, rate, c, chain[1] * chain[5][p], law[3], law[4])
        for i in range(weight.size):
            for a in range(3):
                force = part[0, i, a] + part[1, i, a]
                row[i, a, 3 * WIDE + 5 + p] = -0.5 * (hm + hp) * weight[i] * force


@compiled()
def _drag_shape_columns(
    row: Array, across: Array, h: float, chain: KernelChain, weight: Array
) -> None:
    """Drag across links that is shifted along each of the shapes in chain[7].

    across : force of the links' drag across at the nodes (N + 1, 3) [N].
    """
    shapes, first = chain[7], 3 * WIDE + 5 + chain[5].shape[0]
    if shapes.shape[0] == 0:
        return
    half = np.zeros(3)  # of a link's drag, alike at both its ends
    for j in range(shapes.shape[1]):
        half = across[j] - half
        for p in range(shapes.shape[0]):
            for a in range(3):
                push = h * shapes[p, j] * half[a]
                row[j, a, first + p] -= weight[j] * push
                row[j + 1, a, first + p] -= weight[j + 1] * push


@compiled()
def _swing_column(
    row: Array, swing: Array, hm: float, hp: float, link_mass: Array, by_link: Array,
    by_node: Array, weight: Array,
) -> None:  # fmt: skip
    """Inertia and drag of nodes that move along swing (3, N + 1, 3) [m/m], last before the
    residual."""
    h = 0.5 * (hm + hp)
    ap, am = hm / (hp * (hm + hp)), -hp / (hm * (hm + hp))
    push = mass_times(link_mass, (swing[2] - swing[1]) / hp - (swing[1] - swing[0]) / hm)
    rate = am * swing[0] - (am + ap) * swing[1] + ap * swing[2]
    for j in range(link_mass.shape[0]):
        for a in range(3):
            for b in range(3):
                drag = 0.25 * h * by_link[j, a, b] * (rate[j, b] + rate[j + 1, b])
                push[j, a] -= drag
                push[j + 1, a] -= drag
    for i in range(weight.size):
        for a in range(3):
            for b in range(3):
                push[i, a] -= h * by_node[i, a, b] * rate[i, b]
            row[i, a, row.shape[2] - 2] = weight[i] * push[i, a]


@compiled()
def dynamics_rows(
    row: Array,
    x: Array,
    t: Array,
    E: Array,
    windows: Array,
    c: Array,
    hm: float,
    hp: float,
    chain: KernelChain,
    air: Array,
    law: Array,
    gravity: Array,
    weight: Array,
    share: Array,
    swing: Array,
    first: int,
    last: int,
) -> tuple[Array, Array]:
    """Fill whitened rows (N + 1, 3, 3 WIDE + 6 + P + R), as `local_rows` has them.

    Returns tensions (N,) [N] and the directions in which they pull (N, 3). The residual, last in a
    row, is without what tensions explain; the rows are not.
    windows : (3, ...) of `local_rows.windows`, at the three times. After the times come the five
    logarithmic scales `LAW_NAMES`, then of the shapes (P, N) in chain[5]: the joints' logarithmic
    stiffness shifted along each, then of the shapes (R, N) in chain[7]: the links' logarithmic drag
    across shifted along each, then of a move of the nodes along swing (3, N + 1 or 0, 3).
    Rows must be zero on entry.
    """
    link_mass, bend = chain[0], chain[1]
    h = 0.5 * (hm + hp)
    w = time_shares(share, hm, hp)
    mean = mean_directions(t, w)
    r, fair, fbend, by_link, by_node, by_turn = impulse_residual(
        x, t, mean, c, hm, hp, chain, air, law, gravity
    )
    _mass_and_drag(row, windows, hm, hp, link_mass, by_link, by_node, weight)
    _drag_turned(row, E[1], by_turn, h, weight)
    bend_columns(row, t, E, w, c, hm, hp, bend, law[3], law[4], weight)
    across, bent = fair[0] + fair[1], fbend[0] + fbend[1]
    _chords_changed(row, t[1], c[1], across, bent, windows[1], h, weight)
    rhs = weighted(r, weight)
    # what the tensions explain goes; that they turn with the links is part of the derivative
    lam = project_out_tensions(rhs, mean, weight, first, last)
    _law_columns(row, fair, fbend, rhs, h, weight)
    _shape_columns(row, t, mean, c[1], hm, hp, chain, law, weight)
    _drag_shape_columns(row, fair[0], h, chain, weight)
    if swing.shape[1] > 0:
        _swing_column(row, swing, hm, hp, link_mass, by_link, by_node, weight)
    for j in range(first, last):
        for s in range(3):
            for e in range(2):
                for a in range(3):
                    pull = w[s, j] * lam[j] * E[s, j, a, e]
                    row[j, a, WIDE * s + 7 + e] -= weight[j] * pull
                    row[j + 1, a, WIDE * s + 5 + e] += weight[j + 1] * pull
    return lam / h, mean
