"""A fit's normal equations put together the plain way: whole rows, dense products, LAPACK's factor.

Rows of the mechanics are written in the unknowns of all links; what the links' pulls can take up is
projected out by an orthogonal basis; products are NumPy's; the band is factored and solved by
SciPy's banded Cholesky. Of the fit's own way it shares the derivatives of one time's rows, the
sightings' and the hand's rows, and what is known of the first moment.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded, lapack

from lashwave.estimate import normal as eq
from lashwave.estimate.bend_rows import mean_directions, time_shares
from lashwave.estimate.jerk_rows import TIMES, jerk_rows, width
from lashwave.estimate.levenberg import Newton, Undivided, diagonal
from lashwave.estimate.momentum_rows import dynamics_rows
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import look
from lashwave.quantities import Array
from tests.estimate.long_rows import blank, long_rows, place_slopes, windows_of


class Rows:
    """Whitened rows of a path, one inner time after the other."""

    def __init__(self, setup: FitSetup, path: Path, spread: Array, seen: Any) -> None:
        self.setup, self.path, self.spread, self.seen = setup, path, spread, seen
        self.reach, self.node, self.axes = path.reach(setup), path.node, path.axes
        self.slope = place_slopes(path, self.reach)
        self.chain, self.swing = setup.kernel_chain(path.shared), path.course.swing
        self.given = setup.dynamics(path.shared)
        self.laws = 5 + self.chain[5].shape[0] + self.chain[7].shape[0]
        self.laws += min(self.swing.shape[1], 1)

    def at(self, k: int) -> tuple[Array, Array, Array]:
        """Rows (R, 3 n + Q) in the unknowns of three times, values (R,) [sd]; pulls (N,) [N]."""
        path, d, shared = self.path, self.given, self.setup.shared.mean.size
        hm, hp = np.diff(path.time)[k - 1 : k + 1]
        h = 0.5 * (hm + hp)
        G, r, tension = self._mechanics(k, hm, hp)
        n3 = G.shape[1] - self.laws
        parts = [np.zeros((G.shape[0], n3 + shared))]
        parts[0][:, :n3], parts[0][:, n3 : n3 + self.laws] = G[:, :n3], G[:, n3:]
        values = [r]
        coefficient = np.array([1.0 / hm, -1.0 / hm - 1.0 / hp, 1.0 / hp]) / np.sqrt(
            d.hand_density * h
        )
        for i in np.flatnonzero(d.driven):
            body = np.einsum("s,sap->asp", coefficient, self.slope[k - 1 : k + 2, i])
            parts.append(np.hstack([body.reshape(3, n3), np.zeros((3, shared))]))
            values.append(coefficient @ self.node[k - 1 : k + 2, i])
        body, own = self._sightings(k)
        return np.vstack([*parts, body]), np.concatenate([*values, own]), tension

    def _mechanics(self, k: int, hm: float, hp: float) -> tuple[Array, Array, Array]:
        setup, path, near, d = self.setup, self.path, slice(k - 1, k + 2), self.given
        h, links = 0.5 * (hm + hp), setup.chain.links
        weight = np.where(d.driven, 0.0, 1.0 / (d.node_mass * np.sqrt(self.spread[k] * h)))
        row = blank(links, self.laws)
        tension, _ = dynamics_rows(
            row, self.node[near], path.direction[near], self.axes[near],
            windows_of(self.reach[near]), path.chord[near], hm, hp, self.chain, d.air, d.law,
            d.gravity, weight, path.share[k], self.swing[near], d.first, d.last,
        )  # fmt: skip
        G, r = long_rows(row, self.reach[near])
        mean = mean_directions(path.direction[near], time_shares(path.share[k], hm, hp))
        taken = np.zeros((3 * links + 3, d.last - d.first))
        for a, j in enumerate(range(d.first, d.last)):
            taken[3 * j : 3 * j + 3, a] = weight[j] * mean[j]
            taken[3 * j + 3 : 3 * j + 6, a] -= weight[j + 1] * mean[j]
        basis = np.linalg.qr(taken)[0]
        return G - basis @ (basis.T @ G), r - basis @ (basis.T @ r), tension

    def _sightings(self, k: int) -> tuple[Array, Array]:
        (node, p, w, value, tcol, tval), starts = self.seen.rows, self.seen.starts
        own = np.arange(starts[k], starts[k + 1])
        n, shared = self.slope.shape[3], self.setup.shared.mean.size
        body = np.zeros((own.size, 3, n))
        for m in range(2):
            there = node[own, m] >= 0
            at = self.slope[k - 1 : k + 2][:, np.maximum(node[own, m], 0)]
            moved = np.einsum("ra,srap->rsp", p[own, m], at) * w[own][:, :, None]
            body += moved * there[:, None, None]
        out = np.hstack([body.reshape(own.size, 3 * n), np.zeros((own.size, shared))])
        for i, q in enumerate(own):
            for column, factor in zip(tcol[q], tval[q], strict=True):
                if column >= 0:
                    out[i, 3 * n + column] += factor
        return out, value[own]


def plain_normal(
    setup: FitSetup, path: Path, spread: Array, weights: Any, anchor: Any, _room: Any = None
) -> eq.Normal:
    """What `normal.build` gives, without what links stiffen by as they turn."""
    seen = look(setup, path, weights)
    rows = Rows(setup, path, spread, seen)
    n, count, q = setup.unknowns, path.time.size, setup.shared.mean.size
    jerky = bool(np.isfinite(setup.hand_jerk)) and count >= TIMES
    blocks = np.zeros((count, TIMES, n, n))  # of a time, with the one `apart` later: later first
    border, gradient = np.zeros((count, n, q)), np.zeros((count, n))
    corner, below = np.diag(1.0 / setup.shared.sd**2), np.zeros(q)
    prior = (path.shared - setup.shared.mean) / setup.shared.sd
    below += prior / setup.shared.sd
    cost, tension = float(prior @ prior), np.zeros((count, setup.chain.links))
    for k in range(1, count - 1):
        G, r, tension[k] = rows.at(k)
        body, side = G[:, : 3 * n], G[:, 3 * n :]
        square, edge, pull = body.T @ body, body.T @ side, body.T @ r
        for s in range(3):
            own = slice(s * n, (s + 1) * n)
            border[k - 1 + s] += edge[own]
            gradient[k - 1 + s] += pull[own]
            for t in range(s, 3):
                blocks[k - 1 + s, t - s] += square[t * n : (t + 1) * n, own]
        corner += side.T @ side
        below += side.T @ r
        cost += float(r @ r)
    matrix, offset = anchor.rows(rows.axes), anchor.residual(path)
    square, pull = matrix.T @ matrix, matrix.T @ offset
    blocks[0, 0] += square[:n, :n]
    blocks[1, 0] += square[n:, n:]
    blocks[0, 1] += square[n:, :n]
    gradient[:2] += pull.reshape(2, n)
    cost += float(offset @ offset)
    if jerky:
        cost += _jerk(setup, path, blocks, gradient)
    deep = 3 * n + jerky * width(setup)
    return eq.Normal(
        _band(blocks, deep), border.reshape(-1, q), corner,
        np.concatenate([gradient.ravel(), below]), cost, tension, rows.axes, seen, n,
        np.zeros((count, setup.chain.links)),
    )  # fmt: skip


def _jerk(setup: FitSetup, path: Path, blocks: Array, gradient: Array) -> float:
    value, slope = jerk_rows(setup, path)
    w = slope.shape[3]
    for r in range(value.shape[0]):
        for s in range(TIMES):
            gradient[r + s, :w] += value[r] @ slope[r, :, s]
            for t in range(s, TIMES):
                blocks[r + s, t - s, :w, :w] += slope[r, :, t].T @ slope[r, :, s]
    return float((value**2).sum())


def _band(blocks: Array, deep: int) -> Array:
    """(deep, K n) in LAPACK's lower storage."""
    count, apart, n, _ = blocks.shape
    band = np.zeros((deep, count * n), order="F")
    for t in range(apart):
        for u in range(n):
            for v in range(n):
                down = t * n + v - u
                if 0 <= down < deep:
                    band[down, u::n] = blocks[:, t, v, u]
    return band


def plain_factor(normal: eq.Normal, damping: Array | float) -> eq.Factor:
    """By LAPACK's banded routines; raises LinAlgError where it is not definite."""
    band = normal.band.copy(order="F")
    band[0] += damping
    root = cholesky_banded(band, lower=True)
    coupling, failed = lapack.dtbtrs(root, normal.border, uplo="L")
    if failed:
        raise np.linalg.LinAlgError(f"dtbtrs: {failed}")
    corner = np.linalg.cholesky(normal.corner - coupling.T @ coupling)
    return eq.Factor(np.asfortranarray(root), coupling, corner, normal.unknowns)


class PlainProblem(Undivided):
    """The problem with its equations formed and solved the plain way; its cost is the fit's own."""

    def newton(self, path: Path, damping: float) -> Newton:
        """Raises LinAlgError where the equations are not definite."""
        n = plain_normal(self.setup, path, self.density, self.weights, self.anchor)
        path_turning = eq.build(self.setup, path, self.density, self.weights, self.anchor)
        n.stiffening[:] = path_turning.stiffening
        band = n.band.copy(order="F")
        band[0] += diagonal(n, damping)
        root = cholesky_banded(band, lower=True)
        size = band.shape[1]
        solved = cho_solve_banded((root, True), np.column_stack([n.border, n.gradient[:size]]))
        across, alone = solved[:, :-1], solved[:, -1]
        rest = n.corner - n.border.T @ across
        shared = np.linalg.solve(rest, n.gradient[size:] - n.border.T @ alone)
        step = -np.concatenate([alone - across @ shared, shared])
        return Newton(n.cost, n.gradient, step, n.axes)
