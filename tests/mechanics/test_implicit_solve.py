"""The elimination link by link against dense matrices of mass, damping and stiffness."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics import stiff
from lashwave.mechanics.implicit import factor, pin, plan, prepare, reach, solve
from lashwave.mechanics.rates import link_tension
from tests.mechanics.small_chains import KINDS, moving

STEP = 3e-3


def prepared(kind: str, seed: int):
    m = moving(kind, seed)
    tension = np.zeros(m.length.size)
    link_tension(m.ready, m.room, tension)
    made = plan(m.ready.last - m.ready.first)
    prepare(m.ready, m.room, np.abs(tension), made)
    m.pull = np.abs(tension)
    return m, made


def jacobians(m, made) -> np.ndarray:
    """(nodes, 3, 2 M + 3): velocities of the free links' nodes by link rates and the base's."""
    first, last = m.ready.first, m.ready.last
    free = last - first
    out = np.zeros((free + 1, 3, 2 * free + 3))
    out[:, :, 2 * free :] = np.eye(3)
    for i in range(free):
        out[i + 1 :, :, 2 * i : 2 * i + 2] += m.length[first + i] * made.frame[i].T
    return out


def dense(m, made) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass, damping and stiffness of link rates (2 M) and the base (3)."""
    first, last = m.ready.first, m.ready.last
    free = last - first
    size = 2 * free + 3
    mass, lose, stiffness = (np.zeros((size, size)) for _ in range(3))
    v = jacobians(m, made)
    for i in range(free):
        aa, ab, bb = m.chain.link_mass[first + i]
        near, far = v[i], v[i + 1]
        mass += aa * near.T @ near + ab * (near.T @ far + far.T @ near) + bb * far.T @ far
        own = slice(2 * i, 2 * i + 2)
        stiffness[own, own] += m.length[first + i] * m.pull[first + i] * np.eye(2)
    turn = np.zeros((free + 2, 3, size))  # how the directions before, of and after the links turn
    for i in range(free):
        turn[i + 1, :, 2 * i : 2 * i + 2] = made.frame[i].T
    for i in range(free + 1):
        opening = turn[i + 1] - turn[i]
        lose += opening.T @ made.lose[i] @ opening
        stiffness += opening.T @ made.grow[i] @ opening
        k, cosine = made.bend[i], made.relative[i]
        stiffness += k * cosine * (turn[i].T @ turn[i] + turn[i + 1].T @ turn[i + 1])
        stiffness -= k * (turn[i].T @ turn[i + 1] + turn[i + 1].T @ turn[i])
    return mass, lose, stiffness


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_frames_lie_across_and_joints_are_symmetric(kind: str, seed: int) -> None:
    m, made = prepared(kind, seed)
    for i in range(m.ready.last - m.ready.first):
        three = np.vstack([made.frame[i], m.room.t[m.ready.first + i]])
        np.testing.assert_allclose(three @ three.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(made.lose, made.lose.transpose(0, 2, 1), atol=1e-15)
    assert (made.bend[-1] > 0.0) == (kind == "held")
    assert (made.bend[0] > 0.0) == (kind != "free")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_products_are_those_of_dense_matrices(kind: str, seed: int) -> None:
    m, made = prepared(kind, seed)
    mass, _, stiffness = dense(m, made)
    rng = np.random.default_rng(seed)
    free = m.ready.last - m.ready.first
    rates, base = rng.normal(size=(free, 2)), rng.normal(size=3)
    both, out, moved = np.concatenate([rates.ravel(), base]), np.empty((free, 2)), base.copy()
    stiff.inertia(m.ready, made, rates, moved, out)
    expected = mass @ both
    np.testing.assert_allclose(out.ravel(), expected[: 2 * free], rtol=1e-10, atol=1e-14)
    np.testing.assert_allclose(moved, expected[2 * free :], rtol=1e-10, atol=1e-14)
    total = out.copy()
    stiff.restore(made, rates, 0.7, total)
    left = out.ravel() - 0.7 * (stiffness[: 2 * free, : 2 * free] @ rates.ravel())
    np.testing.assert_allclose(total.ravel(), left, rtol=1e-9, atol=1e-12 * np.abs(left).max())


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_solution_is_that_of_the_dense_system(kind: str, seed: int) -> None:
    m, made = prepared(kind, seed)
    mass, lose, stiffness = dense(m, made)
    whole = mass + STEP * lose + STEP**2 * stiffness
    rng = np.random.default_rng(seed)
    free = m.ready.last - m.ready.first
    right, base, end = rng.normal(size=(free, 2)), rng.normal(size=3), rng.normal(size=3)
    factor(m.ready, made, STEP)
    out, moved = np.empty((free, 2)), base.copy()
    solve(m.ready, made, right, moved, end, out)
    v = jacobians(m, made)
    force = v[-1].T @ end
    force[: 2 * free] += right.ravel()
    force[2 * free :] += base
    keep = slice(None) if kind == "free" else slice(0, 2 * free)
    expected = np.zeros(2 * free + 3)
    expected[keep] = np.linalg.solve(whole[keep, keep], force[keep])
    scale = np.abs(expected).max()
    np.testing.assert_allclose(out.ravel(), expected[: 2 * free], rtol=0, atol=1e-9 * scale)
    np.testing.assert_allclose(moved, expected[2 * free :], rtol=0, atol=1e-9 * scale)
    np.testing.assert_allclose(
        reach(m.ready, made, out), (v[-1][:, : 2 * free] @ expected[: 2 * free]), atol=1e-9 * scale
    )
    pin(m.ready, made)
    reply = v[-1][:, keep] @ np.linalg.solve(whole[keep, keep], v[-1][:, keep].T)
    np.testing.assert_allclose(made.grip @ reply, np.eye(3), atol=1e-7)
    tail = np.linalg.solve(whole[keep, keep], v[-1][:, keep].T)[: 2 * free]
    np.testing.assert_allclose(
        made.tail.reshape(2 * free, 3), tail, rtol=0, atol=1e-9 * np.abs(tail).max()
    )


@pytest.mark.parametrize("kind", KINDS)
def test_a_stage_is_the_linear_step(kind: str) -> None:
    """Increments (d t, d w) = h (r + J d): the rates solve (M + h D + h^2 K) dw = h (M r_w) -
    h^2 K r_t, and a held end moves as the right side alone would move it."""
    m, made = prepared(kind, 4)
    mass, lose, stiffness = dense(m, made)
    free = m.ready.last - m.ready.first
    rng = np.random.default_rng(5)
    right = rng.normal(size=m.state.size)
    if kind != "free":
        right[6 * free : 6 * free + 6] = 0.0  # a driven base has no rate of its own
    given = right.copy()
    factor(m.ready, made, STEP)
    if m.ready.held:
        pin(m.ready, made)
    stiff.stage(m.ready, made, STEP, right, np.zeros(3), np.zeros((3, free, 2)), np.zeros(3))

    def along_frames(part: np.ndarray) -> np.ndarray:
        return np.einsum("iak,ik->ia", made.frame, part.reshape(free, 3)).ravel()

    places, rates = along_frames(given[: 3 * free]), along_frames(given[3 * free : 6 * free])
    base = given[6 * free + 3 : 6 * free + 6]
    keep = slice(None) if kind == "free" else slice(0, 2 * free)
    force = STEP * (mass @ np.concatenate([rates, base]))
    force[: 2 * free] -= STEP**2 * stiffness[: 2 * free, : 2 * free] @ places
    whole = (mass + STEP * lose + STEP**2 * stiffness)[keep, keep]
    turn = np.linalg.solve(whole, force[keep])
    if m.ready.held:
        way = jacobians(m, made)[-1][:, : 2 * free]
        reply = np.linalg.solve(whole, way.T)
        turn = turn - reply @ np.linalg.solve(way @ reply, way @ (turn - STEP * rates))
    got = right[3 * free : 6 * free].reshape(free, 3)
    scale = np.abs(turn).max()
    np.testing.assert_allclose(along_frames(got.ravel()), turn[: 2 * free], atol=1e-7 * scale)
    # what points along a link is carried on as it is
    t = m.room.t[m.ready.first : m.ready.last]
    old = given[3 * free : 6 * free].reshape(free, 3)
    np.testing.assert_allclose((got * t).sum(1), STEP * (old * t).sum(1), atol=1e-12)
    moved = right[: 3 * free].reshape(free, 3)
    np.testing.assert_allclose(moved, STEP * (given[: 3 * free].reshape(free, 3) + got), atol=1e-12)
    np.testing.assert_allclose(right[6 * free + 6 :], STEP * given[6 * free + 6 :])
    if kind == "free":
        np.testing.assert_allclose(right[6 * free + 3 : 6 * free + 6], turn[2 * free :], atol=1e-9)
        new = STEP * (given[6 * free : 6 * free + 3] + turn[2 * free :])
        np.testing.assert_allclose(right[6 * free : 6 * free + 3], new, atol=1e-9)
    else:
        assert not right[6 * free : 6 * free + 6].any()
