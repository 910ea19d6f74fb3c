"""Lines at rest: no turn of a link lowers the energy, and every node is in equilibrium."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics.bending import bend_energy, sharpness
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.law import Law
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.simulation import setup, start_state
from lashwave.quantities.line import Line
from tests.mechanics.small_chains import GRAVITY, WHEN, moving

DOWN = np.array([0.0, 0.0, -9.81])


def chain_of(stiffness: float, ends: str = "free", handle: float = 0.1):
    line = Line(
        np.array([0.0, 1.0]), np.array([5e-3, 3e-3]), np.array([0.03, 0.01]),
        np.array([stiffness, 0.3 * stiffness]), handle_length=handle, ends=ends,
    )  # fmt: skip
    station = np.concatenate([[0.0], np.linspace(0.1, 0.9, 6), [1.0]])
    return build(line, station, line.bending_stiffness)


def energy(chain, x: np.ndarray, scale: float) -> float:
    t = np.diff(x, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    bent = sum(
        scale * chain.bend[j] * bend_energy(sharpness(t[j - 1], t[j])) for j in range(1, len(t))
    )
    return float(bent - chain.node_mass @ (x @ DOWN))


def turned(chain, x: np.ndarray, j: int, by: np.ndarray) -> np.ndarray:
    t = np.diff(x, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    t[j] += by
    t[j] /= np.linalg.norm(t[j])
    return x[0] + np.vstack([np.zeros(3), np.cumsum(chain.length[:, None] * t, axis=0)])


@pytest.mark.parametrize("stiffness", [0.0, 1e-3, 2e-2])
def test_a_line_hangs_where_its_energy_is_least(stiffness: float) -> None:
    chain, law = chain_of(stiffness), Law(stiffness_scale=1.7)
    grip = fixed([0.3, 0.2, 1.0], [0.8, 0.0, 0.6])
    x = rest_shape(chain, grip, DOWN, law)
    np.testing.assert_allclose(x[0], [0.3, 0.2, 1.0])
    np.testing.assert_allclose(x[1] - x[0], [0.08, 0.0, 0.06], atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(np.diff(x, axis=0), axis=1), chain.length)
    least = energy(chain, x, 1.7)
    for j in range(1, chain.links):
        for by in np.vstack([np.eye(3), -np.eye(3)]):
            assert energy(chain, turned(chain, x, j, 1e-3 * by), 1.7) > least - 1e-12
    if stiffness == 0.0:
        np.testing.assert_allclose(np.diff(x[1:, :2], axis=0), 0.0, atol=1e-6)  # straight down
    else:
        assert x[-1, 0] > x[1, 0] + 0.01  # the grip's direction bends it outward


def test_a_line_held_at_both_ends_is_in_equilibrium_at_every_node() -> None:
    chain = chain_of(0.0, "held")
    near, far = fixed([0.0, 0.0, 1.0], [0.6, 0.0, -0.8]), fixed([0.7, 0.1, 0.9], [0.6, 0.0, 0.8])
    x = rest_shape(chain, near, DOWN, far=far)
    np.testing.assert_allclose(x[-1], [0.7, 0.1, 0.9], atol=1e-9)
    np.testing.assert_allclose(
        x[-1] - x[-2], chain.length[-1] * np.array([0.6, 0.0, 0.8]), atol=1e-9
    )
    np.testing.assert_allclose(np.linalg.norm(np.diff(x, axis=0), axis=1), chain.length, rtol=1e-9)
    t = np.diff(x, axis=0) / chain.length[:, None]
    pulls = []
    for i in range(2, chain.links - 1):  # nodes between free links
        columns = np.stack([t[i], -t[i - 1]], axis=1)
        weight = chain.node_mass[i] * DOWN
        pull, *_ = np.linalg.lstsq(columns, -weight, rcond=None)
        assert np.abs(columns @ pull + weight).max() < 1e-5 * np.linalg.norm(weight)
        pulls.append(pull)
    for first, second in zip(pulls, pulls[1:], strict=False):
        assert second[1] == pytest.approx(first[0], rel=1e-4) and second[1] > 0.0


def test_a_start_is_read_from_places_and_velocities() -> None:
    """Directions and rates across them; a free base's own; a held end moves as its holder does."""
    rng = np.random.default_rng(1)
    m = moving("free", 2)
    x = np.cumsum(rng.normal(size=(5, 3)), axis=0)
    v = rng.normal(size=(5, 3))
    state = start_state(m.chain, m.ready, x, v)
    t = np.diff(x, axis=0) / np.linalg.norm(np.diff(x, axis=0), axis=1, keepdims=True)
    w = np.diff(v, axis=0) / m.length[:, None]
    w -= (w * t).sum(1, keepdims=True) * t
    np.testing.assert_allclose(state[:12], t.ravel())
    np.testing.assert_allclose(state[12:24], w.ravel())
    np.testing.assert_allclose(state[24:30], np.concatenate([x[0], v[0]]))
    assert not state[30:].any()
    assert not start_state(m.chain, m.ready, x, None)[12:24].any()
    for kind in ("held", "pinned"):
        m = moving(kind, 3)
        first, last = m.ready.first, m.ready.last
        x = np.cumsum(rng.normal(size=(m.length.size + 1, 3)), axis=0)
        free = slice(first, last)
        state = start_state(m.chain, m.ready, x, None, WHEN)
        count = last - first
        t, w = (state[3 * count * i :][: 3 * count].reshape(count, 3) for i in range(2))
        end = m.near[1] + m.length[free] @ w
        end = end + (m.length[0] * m.near[4] if first else 0.0)
        end = end + (m.length[last] * m.pose[4] if last < m.length.size else 0.0)
        np.testing.assert_allclose(end, m.pose[1], atol=1e-9)
        assert np.abs((w * t).sum(1)).max() < 1e-9
        # the least rates: they lie in the span of what moves the end
        rows = np.concatenate(
            [m.length[first + i] * (np.eye(3) - np.outer(t[i], t[i])) for i in range(count)], axis=1
        )
        least = np.linalg.pinv(rows) @ rows @ w.ravel()
        np.testing.assert_allclose(w.ravel(), least, atol=1e-8)


def test_what_the_kernels_are_given() -> None:
    m = moving("handle", 6)
    law = Law(1.1, 1.2, 1.3, 1.4, 3e-3)
    ready = setup(m.chain, fixed([0, 0, 0], [1, 0, 0]), m.medium, GRAVITY, law)
    body = ready.body
    assert (body.normal == 1.1).all() and body.tangential == 1.2
    assert (body.damping == 3e-3).all() and body.normal.shape == (m.chain.links,)
    assert (body.density, body.viscosity, body.sound) == (1.2, 1.8e-5, 343.0)
    np.testing.assert_allclose(body.bend[:-1], 1.4 * m.chain.bend)
    assert body.bend[-1] == 0.0
    extra = body.bluff - m.chain.bluff_area
    assert extra[-1] == pytest.approx(1.3 * 2e-5) and not extra[:-1].any()
    assert (ready.first, ready.last, ready.free, ready.held) == (1, m.chain.links, False, False)
    free = setup(m.chain, None, m.medium, GRAVITY, law)
    assert (free.first, free.free, free.body.bend[0]) == (0, True, 0.0)


def test_joints_beside_rigid_ends_are_half_a_link_wide() -> None:
    """B over half of both links; over half of the free one where the other is rigid."""
    chain = chain_of(1e-3, "held")
    stiffness = np.interp(chain.station[:-1], [0.0, 1.0], [1e-3, 3e-4])
    span = 0.5 * (chain.length[1:] + chain.length[:-1])
    span[0], span[-1] = 0.5 * chain.length[1], 0.5 * chain.length[-2]
    np.testing.assert_allclose(chain.bend[1:], stiffness[1:] / span)
    assert chain.bend[0] == 0.0 and chain.held_links == 1


def test_a_marker_weighs_and_drags_where_it_sits() -> None:
    """On a rigid link, x of the way from one node to the next, by the lever's law."""
    line = Line(np.array([0.0, 1.0]), np.full(2, 4e-3), np.full(2, 0.01), np.full(2, 1e-4))
    station = np.array([0.0, 0.4, 1.0])
    bare = build(line, station, line.bending_stiffness)
    one = build(line, station, line.bending_stiffness, np.array([0.55]), np.array([3e-4]),
                np.array([6e-3]))  # fmt: skip
    added = one.link_mass - bare.link_mass
    np.testing.assert_allclose(added[0], 0.0, atol=1e-18)
    np.testing.assert_allclose(added[1], 3e-4 * np.array([0.75**2, 0.75 * 0.25, 0.25**2]))
    area = 0.47 * np.pi * 3e-3**2
    np.testing.assert_allclose(one.bluff_area, area * np.array([0.0, 0.75, 0.25]))
