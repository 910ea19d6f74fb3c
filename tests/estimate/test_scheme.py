"""Chords of arcs, and which links take their directions from three times.

Sources: the chord of a circular arc, 2 R sin(l / 2 R) (geometry); highest frequency of a chain by
the eigenvalues of its own matrices (scipy, a general library); average acceleration, Newmark,
J. Eng. Mech. Div. ASCE 85 (1959) 67.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import eigh

from lashwave.estimate.bend_rows import bend_forces, mean_directions, side_shares, time_shares
from lashwave.estimate.path import chord_lengths
from lashwave.mechanics.chain import stations
from lashwave.quantities.line import Line


def arc(links: int, turn: float) -> np.ndarray:
    """Directions (links, 3) that turn by `turn` [rad] from link to link."""
    angle = turn * np.arange(links)
    return np.stack([np.cos(angle), np.sin(angle), np.zeros(links)], axis=-1)


@pytest.mark.parametrize("turn", [0.01, 0.3, 1.0, 2.0])
def test_a_link_of_a_circle_has_the_circle_s_chord(turn):
    length = np.full(7, 0.04)
    radius = length[0] / turn
    chord = chord_lengths(arc(7, turn)[None], length, 0, 0)[0]
    # the end links see one joint only and are told that bending falls to zero there
    assert chord[1:-1] == pytest.approx(2 * radius * np.sin(0.04 / (2 * radius)), rel=1e-12)


@pytest.mark.parametrize("turn", [0.02, 0.5, 1.5])
def test_the_couple_of_a_joint_is_its_stiffness_times_its_angle(turn):
    t, c, bend = arc(3, turn), np.full(3, 0.05), np.array([0.0, 2e-3, 0.0])
    force = bend_forces(t, t, np.zeros_like(t), c, bend, 1.0, 0.0)[0]
    # the couple on the first link: its node force times its length, across it
    across = np.cross(t[0], force[0] * c[0])
    assert np.linalg.norm(across) == pytest.approx(2e-3 * turn, rel=1e-12)
    assert np.abs(force.sum(axis=0)).max() < 1e-15


def test_the_highest_frequency_is_that_of_the_chain_s_own_matrices():
    """A link's own frequency, read back from its share, against eigenvalues of 80 links."""
    links, mass, length, pull, joint = 80, 2e-4, 0.02, 3.0, 5e-3
    mass_matrix = mass * (2 / 3 * np.eye(links) + (np.eye(links, k=1) + np.eye(links, k=-1)) / 6)
    second = 2 * np.eye(links) - np.eye(links, k=1) - np.eye(links, k=-1)
    for tension, bend, stiffness in (
        (pull, 0.0, pull / length * second),
        (0.0, joint, joint / length**2 * second @ second),
    ):
        expected = eigh(stiffness, mass_matrix, eigvals_only=True)[-1]
        link_mass = np.tile([mass / 3, mass / 6, mass / 3], (links, 1))
        h = 0.1 / np.sqrt(expected)
        share = side_shares(
            link_mass, np.full(links, bend), np.full(links, tension), np.full(links, length), h
        )
        # share = (w h / 2)^2 / 4; the finite chain stays a little under the bound
        assert share[links // 2] * 16 / h**2 == pytest.approx(expected, rel=5e-3)


def test_shares_are_the_greatest_of_a_link_and_its_neighbours():
    """A quarter of (w h / 2)^2 by the formula, up to a quarter; a line has two ends, no ring."""
    rng = np.random.default_rng(1)
    for _ in range(20):
        links, h = 5, 1e-3
        mass = np.abs(rng.normal(size=(links, 3))) * 1e-3
        bend, pull = rng.uniform(0.0, 2e-3, links), rng.normal(0.0, 3.0, links)
        length = rng.uniform(0.02, 0.1, links)
        own = []
        for j in range(links):
            joint = bend[j] if j == links - 1 else max(bend[j], bend[j + 1])
            whole = mass[j, 0] + 2 * mass[j, 1] + mass[j, 2]
            square = 48 * joint / (whole * length[j] ** 2) + 12 * abs(pull[j]) / (whole * length[j])
            own.append(0.25 * min(1.0, square * h * h / 4))
        expected = [max(own[max(j - 1, 0) : j + 2]) for j in range(links)]
        found = side_shares(mass, bend, pull, length, h)
        assert found == pytest.approx(expected, rel=1e-12)


def test_shares_saturate_and_keep_the_middle_time():
    link_mass = np.tile([1e-4, 5e-5, 1e-4], (3, 1))
    tension, length = np.array([0.0, 50.0, 0.0]), np.full(3, 0.02)
    share = side_shares(link_mass, np.zeros(3), tension, length, 2e-3)
    assert share == pytest.approx([0.25, 0.25, 0.25])  # neighbours follow the fastest
    w = time_shares(share, 1e-3, 2e-3)
    assert w.sum(axis=0) == pytest.approx(1.0)
    assert w[2] * 2e-3 - w[0] * 1e-3 == pytest.approx(0.0, abs=1e-18)


@pytest.mark.parametrize("stiff", [0.1, 1.0, 3.0, 30.0])
def test_no_swing_may_alternate_for_free(stiff):
    """Acceleration and restoring force of +1, -1, +1 at one frequency, with the share it is given:
    (4 - (w h)^2 (1 - 4 share)) >= 3, where the middle time alone gives 0 at w h = 2."""
    share = 0.25 * min(1.0, (stiff / 2) ** 2)
    directions = np.array([[[1.0, 0, 0]], [[-1.0, 0, 0]], [[1.0, 0, 0]]])
    mean = mean_directions(directions, time_shares(np.array([share]), 1.0, 1.0))[0, 0]
    left = abs((1.0 + 1.0 + 2.0) + stiff**2 * mean)
    assert left >= 3.0 - 1e-12


def test_nodes_crowd_at_a_clamp():
    station = np.array([0.0, 2.2])
    line = Line(station, np.full(2, 0.01), np.full(2, 0.05), np.full(2, 1e-3), handle_length=0.2)
    markers = 0.2 + 0.1 * np.arange(1, 20)
    nodes = stations(line, markers, 0.08, 0.02, spacing_clamp=4e-3)
    gaps = np.diff(nodes)[1:]
    # by the middle of the first gap the spacing has grown by 0.4 of the way
    assert nodes[1] == pytest.approx(0.2) and gaps[0] <= 4e-3 * 1.3
    assert gaps.max() > 0.03 and (gaps[1:6] / gaps[:5] < 1.8).all()
    assert np.isclose(nodes[:, None], markers).any(axis=0).all()
