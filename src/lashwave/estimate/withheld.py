"""Sightings left out and predicted from all the others: a test of the intervals, without a refit.

With J the whitened rows of a group of sightings, r their residual at the minimum over everything
and H = J C J', C the posterior covariance, the linearised problem without the group would have
left the residual (I - H)^-1 r, and (I - H)^-1 is what its covariance should be, the samples' own
noise included (Cook and Weisberg, Residuals and Influence in Regression, 1982, for groups of
cases). A group is one marker over a hundredth of a second, so that its own neighbours in time do
not give the answer away; distrusted samples are not asked for. Where the motion is far from linear
within a group's own interval, as in a throw's recoil, the miss comes out too large.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, cho_factor, cho_solve

from lashwave.estimate import normal as eq
from lashwave.estimate.assembly import sighting_row
from lashwave.estimate.blocks import dense
from lashwave.estimate.joint import Joint
from lashwave.estimate.local_rows import WIDE, far_moves, whole, windows
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import marker_part, marker_sd, time_weights
from lashwave.quantities import COVERED, DISTRUSTED, Array, Whole, Withheld

SPAN = 10e-3
"""Time that a group leaves out of one marker [s]."""
FEWEST, MOST = 3, 10
"""Samples of a group, whatever the rate."""
GROUPS = 50
"""Wanted, over all markers; the cost grows in proportion."""


@dataclass(frozen=True)
class Rows:
    """The rows of G groups of m scalar sightings, sorted by the first time that they touch."""

    centre: Whole
    """(G, m), the middle one of the three times that a row touches."""
    body: Array
    """(G, m, 3, n), derivatives by the unknowns of these times."""
    shared: Array
    """(G, m, Q)"""
    value: Array
    """(G, m), whitened residuals."""


def leverage(f: eq.Factor, rows: Rows) -> Array:
    """(G, m, m) [sd2], J C J' of each group, C the inverse of the factored equations.

    One forward substitution for all groups, block by block in time; it takes a group in at the
    first time that the group touches, since all is zero before.
    """
    n, (groups, m, q) = rows.body.shape[-1], rows.shared.shape
    count = f.band.shape[1] // n
    own: list[list[tuple[int, Array]]] = [[] for _ in range(count)]
    for column, k in enumerate(rows.centre.ravel().tolist()):
        for s in range(3):
            own[k - 1 + s].append((column, rows.body.reshape(-1, 3, n)[column, s]))
    first = rows.centre.min(axis=1) - 1
    found = np.zeros((groups, m, m))
    border = np.zeros((q, groups * m), order="F")
    deep = f.band.shape[0]
    ahead = np.zeros((deep, groups * m), order="F")
    for k in range(int(first[0]) if groups else count, count):
        for column, piece in own[k]:
            ahead[:n, column] += piece
        live = int(np.searchsorted(first, k, side="right"))
        cut = slice(0, live * m)
        high = min(deep, (count - k) * n)
        lower = dense(f.band, k * n, k * n, (high, n))
        y = blas.dtrsm(1.0, np.asfortranarray(lower[:n]), ahead[:n, cut], lower=1)
        ahead[: high - n, cut] = ahead[n:high, cut] - np.asfortranarray(lower[n:]) @ y
        ahead[high - n :] = 0.0
        each = y.T.reshape(live, m, n)
        found[:live] += each @ each.transpose(0, 2, 1)
        border[:, cut] += f.coupling[k * n : (k + 1) * n].T @ y
    rest = np.linalg.solve(f.corner, rows.shared.reshape(-1, q).T - border).T.reshape(groups, m, q)
    return np.asarray(found + rest @ rest.transpose(0, 2, 1))


def without(value: Array, h: Array) -> tuple[Array, Array]:
    """What a group (m,) [sd] would have left without itself in the fit, and the deviations of that.

    Both in units of the stated ones; raises LinAlgError where the rest does not hold the group.
    """
    # The formula and the place of groups of cases in the book are given from memory.
    kept = cho_factor(np.eye(value.size) - h)
    return cho_solve(kept, value), np.sqrt(np.diag(cho_solve(kept, np.eye(value.size))))


def chosen(setup: FitSetup, joint: Joint) -> tuple[Whole, Whole]:
    """Groups (G, samples) of marker samples, and the marker (G,) of each.

    One where the marker is fastest, the others spread over the record, each marker's at times of
    its own; all samples seen and trusted, none in two groups.
    """
    markers, path = setup.trial.markers, joint.path
    samples = int(np.clip(np.round(SPAN * markers.rate), FEWEST, MOST))
    usable = np.isfinite(joint.seen.marker).all(-1) & ~markers.on_handle
    usable &= joint.weights.marker >= DISTRUSTED
    asked = np.flatnonzero(usable.sum(axis=0) >= 2 * samples)
    each = max(1, round(GROUPS / max(asked.size, 1)))
    step = np.diff(path.node, axis=0) / np.diff(path.time)[:, None, None]
    speed = np.linalg.norm(step, axis=-1)
    found: list[tuple[Whole, int]] = []
    for turn, marker in enumerate(asked):
        node = int(np.abs(setup.chain.station - markers.station[marker]).argmin())
        seen = markers.time[usable[:, marker]]
        shift = (0.5 + turn * 0.618034) % 1.0
        spread = seen[0] + (np.arange(each - 1) + shift) / max(each - 1, 1) * (seen[-1] - seen[0])
        free = usable[:, marker].copy()
        for wanted in (path.time[speed[:, node].argmax()], *spread):
            whole = np.lib.stride_tricks.sliding_window_view(free, samples).all(axis=-1)
            starts = np.flatnonzero(whole)
            if starts.size == 0:
                break
            middle = markers.time[starts] + 0.5 * (samples - 1) / markers.rate
            start = int(starts[np.abs(middle - wanted).argmin()])
            free[start : start + samples] = False
            found.append((np.arange(start, start + samples), int(marker)))
    taken = np.array([s for s, _ in found], dtype=np.int64).reshape(-1, samples)
    return taken, np.array([marker for _, marker in found], dtype=np.int64)


def rows_of(setup: FitSetup, joint: Joint, samples: Whole, marker: Whole) -> Rows:
    """Rows of groups (G, m) as `chosen` gives them, three to a sample, sorted by first sample."""
    path = joint.path
    n, q = setup.unknowns, setup.shared.mean.size
    groups, width = samples.shape
    only = np.zeros_like(joint.weights.marker)
    only[samples, marker[:, None]] = joint.weights.marker[samples, marker[:, None]]
    weights = replace(joint.weights, marker=only)
    (k, node, p, w, value, tcol, tval), _ = marker_part(setup, path, path.node, weights)
    # They come sorted by sample, then by marker.
    place = np.zeros(only.shape, dtype=np.int64)
    place[only > 0] = np.arange(np.count_nonzero(only))
    order = (3 * place[samples, marker[:, None]][..., None] + np.arange(3)).reshape(
        groups, 3 * width
    )
    row = np.zeros((order.size, 3 * n + q))
    reach = path.reach(setup)
    for i, r in enumerate(order.ravel()):
        near = reach[k[r] - 1 : k[r] + 2]
        short = np.zeros(3 * WIDE)
        sighting_row(short, node[r], p[r], w[r], np.stack([windows(d) for d in near]))
        whole(short, node[r, 0], np.stack([far_moves(d) for d in near]), row[i])
        on = tcol[r] >= 0
        np.add.at(row[i], 3 * n + tcol[r, on], tval[r, on])
    body = row[:, : 3 * n].reshape(groups, 3 * width, 3, n)
    shared = row[:, 3 * n :].reshape(groups, 3 * width, q)
    return Rows(k[order], body, shared, value[order])


def withheld_of(setup: FitSetup, joint: Joint) -> Withheld:
    """How well marker samples are predicted by everything but themselves and their neighbours."""
    samples, marker = chosen(setup, joint)
    first = time_weights(joint.path.time, setup.trial.markers.time[samples[:, 0]])[0]
    order = np.argsort(first, kind="stable")
    samples, marker = samples[order], marker[order]
    rows = rows_of(setup, joint, samples, marker)
    own = marker_sd(setup, joint.weights) / np.sqrt(np.maximum(joint.weights.marker, 1e-12))
    off: dict[int, list[Array]] = {}
    inside: dict[int, list[NDArray[np.bool_]]] = {}
    for g, h in enumerate(leverage(joint.factor, rows)):
        try:
            error, sd = without(rows.value[g], h)
        except np.linalg.LinAlgError:
            continue
        one = int(marker[g])
        off.setdefault(one, []).append(error * np.repeat(own[samples[g], one], 3))
        inside.setdefault(one, []).append(np.abs(error) <= COVERED * sd)
    asked = sorted(off)
    return Withheld(
        label=setup.trial.markers.station[asked],
        count=np.array([np.size(off[i]) // 3 for i in asked], dtype=np.int64),
        rms=np.array([float(np.sqrt(np.mean(np.square(off[i])))) for i in asked]),
        coverage=np.array([float(np.mean(inside[i])) for i in asked]),
    )
