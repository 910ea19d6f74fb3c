"""Drag and damping that change along the line, as unknowns of the fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import Options, estimate, normal as eq
from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.noise import spread
from lashwave.estimate.path import with_shares
from lashwave.estimate.posterior import beside_of
from lashwave.estimate.setup import Shared, held_scales
from lashwave.estimate.sighting_rows import full_weights
from lashwave.quantities import DAMPING_SLOPE, DRAG_SLOPE
from tests.estimate.small_fit import path_of, setup_of, trial_of
from tests.workbench.small_throw import small_throw


def test_only_a_line_with_a_free_end_has_slopes():
    rng = np.random.default_rng(0)
    setup = setup_of(trial_of(rng))
    column = setup.shared.index(DRAG_SLOPE)
    assert column == 5 and setup.laws == 6 and DRAG_SLOPE not in held_scales(setup)
    assert setup.shared.mean[column] == 0.0
    assert setup.shared.sd[column] == pytest.approx(0.1414, abs=1e-4)
    held = setup_of(trial_of(rng, ends="held"))
    assert DRAG_SLOPE not in held.shared.names and held.damping_slope_sd == 0.0
    assert held.kernel_chain(held.shared.mean)[7].shape == (0, held.chain.links)


def test_draws_have_the_dampings_slope_as_it_was_known_before():
    """Diameter from 5.6 mm at the grip's end, read off the table's rows beyond it, to 2 mm."""
    setup = setup_of(trial_of(np.random.default_rng(0)))
    none = np.zeros((setup.shared.mean.size, 20_000))
    shared = beside_of(setup, setup.shared.mean, none, np.random.default_rng(2)).shared
    assert shared[DAMPING_SLOPE].mean() == pytest.approx(0.0, abs=0.02)
    assert shared[DAMPING_SLOPE].std() == pytest.approx(np.log(2.0) / np.sqrt(3.0), rel=0.02)
    assert np.ptp(shared[DRAG_SLOPE]) == 0.0, "as it was fitted"
    held = setup_of(trial_of(np.random.default_rng(0), ends="held"))
    none = np.zeros((held.shared.mean.size, 4))
    shared = beside_of(held, held.shared.mean, none, np.random.default_rng(2)).shared
    assert not {DAMPING_SLOPE, DRAG_SLOPE} & set(shared)


def newton(setup, path):
    """Cost and Newton's step of everything, at a path."""
    density, weights = spread(setup, path), full_weights(setup)
    path = with_shares(setup, path, density)
    normal = eq.build(setup, path, density, weights, shape_prior(setup, path))
    return normal.cost, eq.solve(eq.factor(normal, 1e-6), normal.gradient)


def test_a_slope_that_is_known_to_be_nought_moves_nothing():
    """The step with it, held by a tiny prior, and the step of a problem that never heard of it."""
    rng = np.random.default_rng(4)
    setup = setup_of(trial_of(rng))
    path = path_of(setup, rng)
    s, column = setup.shared, setup.shared.index(DRAG_SLOPE)
    sd = s.sd.copy()
    sd[column] = 1e-9
    tight = replace(setup, shared=replace(s, sd=sd))
    left = [i for i in range(sd.size) if i != column]
    bare = replace(setup, shared=Shared(tuple(s.names[i] for i in left), s.mean[left], s.sd[left]))
    cost, step = newton(tight, path)
    alone, other = newton(bare, replace(path, shared=path.shared[left], hinge=path.hinge - 1))
    assert cost == pytest.approx(alone, rel=1e-12)
    at = step.size - sd.size + column
    assert abs(step[at]) < 1e-12
    assert np.delete(step, at) == pytest.approx(other, rel=1e-6, abs=1e-9 * np.abs(other).max())
    free = newton(setup, path)[1]
    assert abs(free[at]) > 1e-4, "the same step finds one where it may"


def test_drag_that_grows_along_the_line_is_found():
    """A throw whose drag is e^2 times stronger at the tip than at the grip, beside the law."""
    trial, _ = small_throw(drag_slope=2.0)
    known = ((DRAG_SLOPE, 0.0, 4.0),)  # so that the sightings alone say
    fit = estimate(trial, Options(most_links=24, draws=40, known=known))
    slope, sd = fit.shared[DRAG_SLOPE]
    assert abs(slope - 2.0) < 1.96 * sd
    assert slope > 2.5 * sd and sd < 0.7, "the motion told it"
    scale, off = fit.shared["drag_normal"]
    assert abs(scale - 1.08) < 1.96 * off, "the mean over the outer half is still what it was"
