"""A line that falls out of sight to one of two sides: both are found, and weighed alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import other_motions, restarts, solved
from lashwave.estimate.other_motions import Weighed, starts_of, weighed
from lashwave.estimate.path import on_grid
from lashwave.estimate.setup import FitSetup
from tests.estimate.falling_line import OPTIONS, falling_line


@pytest.fixture(scope="module")
def fallen() -> tuple[FitSetup, Weighed, np.ndarray]:
    trial, tip = falling_line()
    setup, joint = solved(trial, OPTIONS)
    return setup, weighed(setup, joint, starts_of(setup, joint, []), lambda stage, share: None), tip


def test_the_line_falls_to_either_side_with_the_same_probability(fallen):
    """By symmetry: sightings, grip and gravity are the same turned over at the plane y = 0."""
    _, motions, tip = fallen
    first, second = (joint.path.node[-1, -1] for joint in motions.joints)
    assert motions.probability == pytest.approx([0.5, 0.5], abs=1e-3)
    assert first[1] == pytest.approx(-second[1], rel=1e-3) and abs(first[1]) > 0.5 * abs(tip[-1, 1])
    assert [first[2], second[2]] == pytest.approx([tip[-1, 2]] * 2, abs=2e-2)
    (apart,) = motions.apart
    assert apart.distance == pytest.approx(2.0 * abs(first[1]), rel=1e-3)
    assert apart.far == pytest.approx(0.5) and apart.end == pytest.approx(0.4)


def test_draws_are_of_either_side_and_each_of_one(fallen):
    setup, motions, _ = fallen
    draws, of = other_motions.drawn(replace(setup, options=replace(OPTIONS, draws=40)), motions)
    assert np.bincount(of).tolist() == [20, 20]
    side = np.sign([joint.path.node[-1, -1, 1] for joint in motions.joints])
    assert (np.sign(draws.position[:, -1, -1, 1]) == side[of]).mean() > 0.9


def test_without_starts_one_motion_is_told(fallen):
    setup, motions, _ = fallen
    alone = weighed(setup, motions.joints[0], [], lambda stage, share: None)
    assert len(alone.joints) == 1 and alone.apart == ()


def test_a_motion_is_not_told_twice(fallen):
    """The first, started anew from where it ended, and from the same on other times."""
    setup, motions, _ = fallen
    first = motions.joints[0]
    coarser = on_grid(first.held, first.path, np.linspace(0.0, 0.4, 90))
    for path in (first.path, coarser):
        again = (other_motions.Start(path, first.held.shared), other_motions.TIGHT)
        assert len(weighed(setup, first, [again], lambda stage, share: None).joints) == 1


def test_a_line_in_sight_is_not_lost():
    """With markers seen to the end there is nothing to be taken up anew."""
    trial, _ = falling_line(push=0.0, seen_until=1.0)
    _, joint = solved(trial, OPTIONS)
    assert restarts.losses(joint.held, joint) == []
