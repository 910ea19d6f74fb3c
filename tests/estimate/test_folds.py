"""Folds sharper than links follow: how far they leave a marker's place open, and where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.evidence import State, as_arrays, from_arrays
from lashwave.estimate.folds import fold_spread, open_chords
from lashwave.estimate.joint import reweighted
from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, chords, with_shares
from lashwave.estimate.setup import set_up
from lashwave.estimate.sighting_rows import full_weights, look, marker_sd
from lashwave.estimate.stretches import cut_weights
from tests.estimate.small_fit import path_of, setup_of, trial_of


def bent(angles, times=9):
    """A setup of many links, and a path at rest in a plane whose link j turns by angles[j] against
    the one before."""
    trial = trial_of(np.random.default_rng(0))
    setup = set_up(trial, Options(spacing_butt=0.05, spacing_tip=0.05, spacing_clamp=0.05))
    way = np.cumsum([angles.get(j, 0.0) for j in range(setup.chain.links)])
    direction = np.stack([np.sin(way), np.zeros_like(way), -np.cos(way)], axis=1)
    direction = np.repeat(direction[None], times, axis=0)
    time = 0.2 + np.linspace(0.0, 0.05, times)
    base, shared = np.zeros((times, 3)), setup.shared.mean.copy()
    return setup, Path(time, base, direction, shared, chords(setup, direction))


def test_a_chord_is_open_between_a_turn_at_its_ends_and_one_in_its_middle():
    """Chords of two straight halves at the turn, built as points: the spread is a twelfth of their
    difference squared, the variance of a uniform law."""
    setup, path = bent({4: 0.7, 5: 1.1})
    turn, length = 0.5 * (0.7 + 1.1), setup.chain.length[4]
    half = 0.5 * length
    end = np.array([half, 0.0]) + half * np.array([np.cos(turn), np.sin(turn)])
    drawn = np.random.default_rng(1).uniform(np.linalg.norm(end), length, 400_000)
    assert open_chords(setup, path)[0, 4] == pytest.approx(drawn.std(), rel=5e-3)


def test_an_arc_lies_between_the_two():
    """The chord that a link takes, l sin(x) / x of half its turn x, is one of those left open."""
    setup, path = bent({4: 0.9, 5: 0.9})
    length, open_ = setup.chain.length[4], np.sqrt(12.0) * open_chords(setup, path)[0, 4]
    assert length - open_ < path.chord[0, 4] < length


def test_a_straight_line_and_its_grip_leave_nothing_open():
    setup, path = bent({})
    assert not fold_spread(setup, path).any()
    setup, path = bent({1: 2.0})
    assert open_chords(setup, path)[:, 0].max() == 0.0
    assert fold_spread(setup, path)[:, 0].max() == 0.0


def test_only_markers_within_two_links_of_a_fold_are_less_sure():
    """The second marker of the line stands at 0.6 m, others 0.25 and 0.37 m away."""
    node = int(np.abs(bent({})[0].chain.station - 0.6).argmin())
    for joint, near in ((node - 2, True), (node, True), (node + 2, True), (node + 4, False)):
        setup, path = bent({joint: 2.0})
        found = fold_spread(setup, path).max(axis=0)
        assert (found[2] > 1e-3) == near, joint
        assert found[3] == 0.0


def test_samples_outside_the_path_are_left_alone():
    setup, path = bent({12: 2.0})
    inside = (setup.trial.markers.time >= 0.2) & (setup.trial.markers.time <= path.time[-1])
    found = fold_spread(setup, path)
    assert not found[~inside].any() or inside.all()
    short = path.part(0, 4)
    later = setup.trial.markers.time > short.time[-1]
    assert later.any() and not fold_spread(setup, short)[later].any()


def test_the_robust_weights_carry_it_into_the_rows():
    """A row's residual over its deviation, with the fold's variance added to the sample's own."""
    setup = setup_of(trial_of(np.random.default_rng(3)))
    path = path_of(setup, np.random.default_rng(4))
    path = with_shares(setup, path, np.ones(path.node.shape[:2]))
    weights = reweighted(setup, path, full_weights(setup))
    assert weights.folds is not None and weights.folds.max() > 0.0
    own = setup.trial.markers.spread
    assert marker_sd(setup, weights) == pytest.approx(np.sqrt(own**2 + weights.folds**2))
    bare = look(setup, path, replace(weights, folds=None)).marker
    wide = look(setup, path, weights).marker
    seen = np.isfinite(bare) & ~np.asarray(setup.trial.markers.on_handle)[None, :, None]
    ratio = (own / np.sqrt(own**2 + weights.folds**2))[..., None] * np.ones(3)
    assert wide[seen] == pytest.approx((bare * ratio)[seen])


def test_a_stretch_of_a_record_keeps_its_own_samples():
    setup = setup_of(trial_of(np.random.default_rng(3)))
    path = path_of(setup, np.random.default_rng(4))
    whole = reweighted(
        setup, with_shares(setup, path, np.ones(path.node.shape[:2])), full_weights(setup)
    )
    points = {c.name: np.ones(c.frame.size, dtype=bool) for c in setup.trial.cameras}
    part = cut_weights(whole, slice(3, 9), points)
    assert np.array_equal(part.folds, whole.folds[3:9])


def test_what_parameters_are_found_from_keeps_it():
    setup = setup_of(trial_of(np.random.default_rng(3)))
    density = np.ones((7, setup.chain.links + 1))
    path = with_shares(setup, path_of(setup, np.random.default_rng(4)), density)
    weights = reweighted(setup, path, full_weights(setup))
    state = State(path, density, weights, shape_prior(setup, path))
    again = from_arrays(setup, as_arrays(state))
    assert again is not None
    assert np.array_equal(again.weights.folds, weights.folds)
