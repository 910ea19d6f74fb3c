"""The scale of a path's prior density: how much room the dynamics rows leave each next time.

Rows r_k(x_{k-1}, x_k, x_{k+1}) with white unit noise make a path a second-order Markov chain. Its
density is exp(-r'r / 2) times the product over times of det(J_k' J_k)^(1/2), J_k = d r_k / d
x_{k+1}, the Jacobian from noise to path. It depends on damping, drag and stiffness, because the
scheme is implicit in them, so evidence for such a scale cannot do without it: in the limit of short
steps it is the divergence term of Onsager and Machlup (Phys. Rev. 91 (1953) 1505; midpoint rule).
"""

from __future__ import annotations

import numba as nb
import numpy as np

from lashwave.mechanics.estim_band import _hand_rows, _whitening
from lashwave.mechanics.estim_gram import rotate_out_tensions
from lashwave.mechanics.estim_rows import dynamics_rows


@nb.njit(cache=True, parallel=True)
def step_room(  # type: ignore[no-untyped-def]
    x, t, E, D, c, times, chain, air, law, gravity, spread, node_mass, driven, hand_density, first,
    last,
):  # fmt: skip
    """(K,) log det (J_k' J_k) of the inner times, 0 at both ends; arguments as `assemble`'s."""
    count, links = c.shape
    n = 3 + 2 * links
    out = np.zeros(count)
    for k in nb.prange(1, count - 1):
        near = slice(k - 1, k + 2)
        hm, hp = times[k] - times[k - 1], times[k + 1] - times[k]
        weight = _whitening(spread[k], node_mass, driven, 0.5 * (hm + hp))
        G = np.zeros((3 * (links + 1), 3 * n + 5))
        rhs = np.zeros(3 * (links + 1))
        _, pull = dynamics_rows(
            G, rhs, x[near], t[near], E[near], D[near], c[near], hm, hp, chain, air, law, gravity,
            weight, first, last,
        )  # fmt: skip
        rotate_out_tensions(G, rhs, pull, weight, first, last)
        _hand_rows(G, rhs, x[near], D[near], hm, hp, hand_density, driven)
        J = np.ascontiguousarray(G[:, 2 * n : 3 * n])
        L = np.linalg.cholesky(np.dot(J.T, J))
        for i in range(n):
            out[k] += 2.0 * np.log(L[i, i])
    return out
