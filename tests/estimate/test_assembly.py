"""The banded normal equations against dense ones, put together from rows taken one by one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import orth

from lashwave.estimate import assembly, path as paths
from lashwave.estimate.bend_rows import mean_directions, time_shares
from lashwave.estimate.momentum_rows import dynamics_rows
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.mechanics import on_threads
from tests.estimate.long_rows import blank, long_rows, place_slopes, windows_of
from tests.estimate.small_fit import both_ways, path_of, setup_of, step_of, trial_of

DENSITY = 140.0


def problem(seed: int, **given):
    rng = np.random.default_rng(seed)
    setup = setup_of(trial_of(rng, **given))
    path = path_of(setup, rng, 5)
    return setup, paths.with_shares(setup, path, rng.uniform(1.0, 30.0, path.node.shape[:2])), rng


@pytest.mark.parametrize("given", [{}, {"handle": 0.0}, {"ends": "held"}])
def test_axes_places_and_reach_are_of_one_motion(given):
    setup, path, rng = problem(1, **given)
    for t, e in zip(path.direction.reshape(-1, 3), path.axes.reshape(-1, 3, 2), strict=True):
        three = np.column_stack([e, t])
        np.testing.assert_allclose(three.T @ three, np.eye(3), atol=1e-12)
    step = np.diff(path.node, axis=1)
    np.testing.assert_allclose(step, path.chord[..., None] * path.direction, atol=1e-12)
    np.testing.assert_allclose(path.node[:, 0], path.base)
    move = step_of(setup, path, rng)
    after, before = both_ways(setup, path, move)
    count, n = path.time.size, setup.unknowns
    angle = move[: count * n].reshape(count, n)[:, 3:].reshape(count, -1, 2)
    chain = setup.chain
    flags = (chain.handle_links, chain.held_links)
    reach = paths.link_reach(path.direction, path.axes, path.chord, chain.length, *flags)
    np.testing.assert_allclose(reach[:, :, 3], reach[:, :, :3].sum(axis=2))
    moved = (np.diff(after.bare, axis=1) - np.diff(before.bare, axis=1)) / 2e-6
    expected = np.zeros_like(moved)
    for j in range(chain.links):
        for r, link in enumerate((j - 1, j, j + 1)):
            if 0 <= link < chain.links:
                expected[:, link] += np.einsum("kae,ke->ka", reach[:, j, r], angle[:, j])
    np.testing.assert_allclose(moved, expected, atol=1e-6 * np.abs(expected).max())


@pytest.mark.parametrize("ends", [(0, 0), (1, 0), (0, 1), (1, 1)])
def test_chords_are_those_of_arcs(ends):
    """l sin(x) / x, x = kappa l / 2, kappa^2 the mean of the joints' at either end; a joint is as
    wide as half of both links, or half of the free one beside a rigid end."""
    rng = np.random.default_rng(2)
    length = rng.uniform(0.03, 0.08, 5)
    t = np.cumsum(rng.normal(size=(5, 3)) * 0.25, axis=0) + np.array([2.0, 0.0, 0.0])
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    handle, held = ends
    found = paths.chord_lengths(t[None], length, handle, held)[0]
    for j in range(5):
        if (handle and j == 0) or (held and j == 4):
            assert found[j] == length[j]
            continue
        squares = []
        for i in (j, j + 1):
            if 0 < i < 5:
                span = 0.5 * (length[i - 1] + length[i])
                span = 0.5 * length[1] if handle and i == 1 else span
                span = 0.5 * length[3] if held and i == 4 else span
                squares.append((np.arccos(t[i] @ t[i - 1]) / span) ** 2)
        # a free end bends less and less toward it: a moment that falls to nothing
        mean = sum(squares) / (2.0 if len(squares) == 2 else 3.0)
        x = 0.5 * length[j] * np.sqrt(mean)
        assert 0.01 < x < 1.2
        assert found[j] == pytest.approx(length[j] * np.sin(x) / x, rel=1e-9)
    sharp = np.array([[1.0, 0, 0], [-0.9, np.sqrt(0.19), 0], [1.0, 0, 0]])
    folded = paths.chord_lengths(sharp[None], np.full(3, 0.1), 0, 0)[0]
    np.testing.assert_allclose(folded[1], 0.1 * np.sin(1.2) / 1.2)  # no further


def dense_rows(setup, path, spread, seen, k):
    """Rows (R, K n + Q) and values (R,) of one inner time, tensions projected out; tensions."""
    chain, n, count = setup.chain, setup.unknowns, path.time.size
    links, near = chain.links, slice(k - 1, k + 2)
    hm, hp = np.diff(path.time)[k - 1 : k + 1]
    h = 0.5 * (hm + hp)
    weight = np.where(setup.driven, 0.0, 1.0 / (chain.node_mass * np.sqrt(spread[k] * h)))
    law = setup.law(path.shared)
    state = path.node[near], path.direction[near]
    first, last = setup.first_link, setup.last_link
    body = setup.kernel_chain(path.shared)
    swing = path.course.swing[near]
    laws = 5 + body[5].shape[0] + body[7].shape[0] + min(swing.shape[1], 1)
    row, reach = blank(links, laws), path.reach(setup)
    mean = mean_directions(path.direction[near], time_shares(path.share[k], hm, hp))
    tension, _ = dynamics_rows(
        row, *state, path.axes[near], windows_of(reach[near]), path.chord[near], hm, hp, body,
        setup.air, law, setup.gravity, weight, path.share[k], swing, first,
        last,
    )  # fmt: skip
    G, r = long_rows(row, reach[near])
    columns = np.zeros((3 * links + 3, last - first))
    for a, j in enumerate(range(first, last)):
        columns[3 * j : 3 * j + 3, a] = weight[j] * mean[j]
        columns[3 * j + 3 : 3 * j + 6, a] -= weight[j + 1] * mean[j]
    basis = orth(columns)
    G, r = G - basis @ (basis.T @ G), r - basis @ (basis.T @ r)
    size, shared = count * n, setup.shared.mean.size
    rows = np.zeros((G.shape[0], size + shared))
    rows[:, (k - 1) * n : (k + 2) * n] = G[:, : 3 * n]
    rows[:, size : size + laws] = G[:, 3 * n :]
    parts, values = [rows], [r]
    slope = place_slopes(path, reach)
    for i in np.flatnonzero(setup.driven):
        f = 1.0 / np.sqrt(DENSITY * h)
        row = np.zeros((3, size + shared))
        value = np.zeros(3)
        for s, c in ((-1, 1 / hm), (0, -1 / hm - 1 / hp), (1, 1 / hp)):
            row[:, (k + s) * n : (k + s + 1) * n] = f * c * slope[k + s, i]
            value += f * c * path.node[k + s, i]
        parts.append(row)
        values.append(value)
    (node, p, w, value, tcol, tval), starts = seen.rows, seen.starts
    for q in range(starts[k], starts[k + 1]):
        row = np.zeros((1, size + shared))
        for m in range(2):
            for s in range(3):
                if node[q, m] >= 0:
                    at = slice((k - 1 + s) * n, (k + s) * n)
                    row[0, at] += w[q, s] * p[q, m] @ slope[k - 1 + s, node[q, m]]
        for column, factor in zip(tcol[q], tval[q], strict=True):
            row[0, size + column] += factor if column >= 0 else 0.0
        parts.append(row)
        values.append(value[q : q + 1])
    return np.concatenate(parts), np.concatenate(values), tension, r, weight


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("given", [{}, {"handle": 0.0}, {"ends": "held"}])
def test_the_band_is_that_of_all_rows(given, threads, monkeypatch):
    monkeypatch.setattr(assembly, "PIECE", 1)  # of five times
    setup, path, rng = problem(4, **given)
    seen = look(setup, path, full_weights(setup))
    count, n, shared = path.time.size, setup.unknowns, setup.shared.mean.size
    spread = rng.uniform(1.0, 30.0, (count, setup.chain.links + 1))
    size = count * n
    deep = 3 * n + 2
    memory, border = np.full(size * deep, np.nan), np.full((size, shared), np.nan)
    gradient, corner = np.full(size + shared, np.nan), np.full((shared, shared), np.nan)
    chain, dynamics = (
        setup.kernel_chain(path.shared),
        setup.dynamics(path.shared)._replace(hand_density=DENSITY),
    )
    with on_threads(threads):
        cost, tension = assembly.assemble(
            assembly.Equations(
                memory, deep, border, gradient, corner, np.empty((count, setup.chain.links))
            ),
            assembly.RowInputs(
                path.course, path.axes, path.reach(setup), chain, dynamics, spread, seen.starts,
                seen.rows,
            ),
        )  # fmt: skip
    by_node, again = assembly.dynamics_cost(path.course, chain, dynamics, spread)
    whole, pull, total = np.zeros((size + shared,) * 2), np.zeros(size + shared), 0.0
    for k in range(1, count - 1):
        rows, value, lam, rest, _ = dense_rows(setup, path, spread, seen, k)
        whole += rows.T @ rows
        pull += rows.T @ value
        total += value @ value
        live = slice(setup.first_link, setup.last_link)
        np.testing.assert_allclose(tension[k, live], lam[live])
        np.testing.assert_allclose(again[k, live], lam[live])
        squares = (rest.reshape(-1, 3) ** 2).sum(1)
        hm, hp = np.diff(path.time)[k - 1 : k + 1]
        x = path.node[k - 1 : k + 2]
        rise = (x[2] - x[1]) / hp - (x[1] - x[0]) / hm
        by_hand = (rise**2).sum(1) / (DENSITY * 0.5 * (hm + hp))
        expected = np.where(setup.driven, by_hand, squares)
        np.testing.assert_allclose(by_node[k], expected, rtol=1e-6, atol=1e-9 * expected.max())
    assert not tension[[0, -1]].any() and not by_node[[0, -1]].any()
    assert cost == pytest.approx(total, rel=1e-9)
    unit = np.sqrt(np.diag(whole).clip(1e-30))
    scaled = whole / unit[:, None] / unit
    band = memory.reshape(size, deep).T
    assert not band[3 * n :].any()
    for d in range(3 * n):
        found = band[d, : size - d] / unit[d:size] / unit[: size - d]
        np.testing.assert_allclose(found, np.diag(scaled[:size, :size], -d), atol=1e-10)
    np.testing.assert_allclose(
        border / unit[:size, None] / unit[size:], scaled[:size, size:], atol=1e-10
    )
    np.testing.assert_allclose(
        np.triu(corner) / unit[size:, None] / unit[size:], np.triu(scaled[size:, size:]), atol=1e-10
    )
    np.testing.assert_allclose(gradient / unit, pull / unit, atol=1e-10 * np.abs(pull / unit).max())
