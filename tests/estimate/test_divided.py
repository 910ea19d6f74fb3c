"""A record in stretches against the same equations solved at once: equal to rounding."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import divided, normal as eq
from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.by_stretch import densities, shared_out, sighted, with_weights
from lashwave.estimate.divided import Divided
from lashwave.estimate.joint import reweighted
from lashwave.estimate.levenberg import Undivided, diagonal
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, chords, with_shares
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.estimate.stretches import Division, cuts_at
from tests.estimate.small_fit import path_of, setup_of, step_of, trial_of

TIMES = 90
DAMPING = 1e3
"""Of so few sightings the equations are ill-conditioned without."""
CUTS = np.array([0, 23, 46, 69, TIMES])


@pytest.fixture(scope="module")
def both():
    """A motion of a few links, as one problem and as four stretches; cameras see some of it."""
    rng = np.random.default_rng(7)
    setup = replace(setup_of(trial_of(rng)), hand_jerk=3e4)
    path = path_of(setup, rng, 9)
    time = np.linspace(path.time[0], path.time[-1], TIMES)
    direction = np.stack(
        [[np.interp(time, path.time, path.direction[:, j, a]) for a in range(3)]
         for j in range(setup.chain.links)]
    ).transpose(2, 0, 1)  # fmt: skip
    direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
    base = np.stack([np.interp(time, path.time, path.base[:, a]) for a in range(3)], axis=1)
    path = Path(time, base, direction, path.shared, chords(setup, direction))
    density = rng.uniform(1.0, 30.0, path.node.shape[:2])
    path = with_shares(setup, path, density)
    weights, anchor = full_weights(setup), shape_prior(setup, path)
    whole = Undivided(setup, density, weights, anchor, eq.BandMemory())
    return whole, Divided(Division(setup, density, weights, anchor, CUTS)), path, rng


def deviations(whole, path, damping, step):
    """Sizes (C,) of steps (K n + Q, C) in deviations of what the equations leave open: s' H s."""
    normal = eq.build(whole.setup, path, whole.density, whole.weights, whole.anchor)
    size = normal.band.shape[1]
    body = np.zeros((size, size))
    for i, row in enumerate(normal.band):
        body[np.arange(i, size), np.arange(size - i)] = row[: size - i]
    body += np.tril(body, -1).T
    body[np.diag_indices(size)] += damping(normal)
    hessian = np.block([[body, normal.border], [normal.border.T, normal.corner]])
    return np.sqrt(np.einsum("ic,ij,jc->c", step, hessian, step, optimize=True))


def test_a_step_in_stretches_is_the_step_of_the_whole(both):
    whole, parts, path, _ = both
    one, other = whole.newton(path, DAMPING), parts.newton(path, DAMPING)
    assert any(c.frame.size for c in whole.setup.trial.cameras)
    assert other.cost == pytest.approx(one.cost, rel=1e-12)
    np.testing.assert_allclose(other.gradient, one.gradient, atol=1e-11 * abs(one.gradient).max())
    both_steps = np.stack([other.step - one.step, one.step], axis=1)
    off, size = deviations(whole, path, lambda n: diagonal(n, DAMPING), both_steps)
    assert off < 1e-8 * size


def test_the_cost_and_the_path_after_a_step_are_those_of_the_whole(both):
    whole, parts, path, rng = both
    step = 0.1 * step_of(whole.setup, path, rng)
    one, other = whole.moved(path, None, step), parts.moved(path, None, step)
    np.testing.assert_allclose(other.node, one.node, atol=1e-12)
    assert parts.cost(other) == pytest.approx(whole.cost(one), rel=1e-12)


def test_a_dropped_carry_is_seen(both, monkeypatch):
    """What earlier times say is most of what a stretch's first times are known by."""
    whole, parts, path, _ = both
    eliminate = divided.eliminate

    def forgetful(s, carry, *rest):
        return eliminate(s, None, *rest)

    monkeypatch.setattr(divided, "eliminate", forgetful)
    one, other = whole.newton(path, DAMPING), parts.newton(path, DAMPING)
    assert np.abs(other.step - one.step).max() > 1e-3 * np.abs(one.step).max()


def test_draws_in_stretches_are_those_of_the_whole(both):
    """Of the same normal numbers; and the decrement is that of a whole step."""
    whole, parts, path, rng = both
    n, q = whole.setup.unknowns, path.shared.size
    normal = eq.build(whole.setup, path, whole.density, whole.weights, whole.anchor)
    factor = eq.factor(normal, DAMPING)
    noise = rng.standard_normal((TIMES * n, 5))
    shared = np.linalg.solve(factor.corner.T, rng.standard_normal((q, 5)))
    expected = eq.backward(factor.band, noise - factor.coupling @ shared, n)
    f = parts.forward(path, DAMPING, plain=True)
    fall = float(normal.gradient @ eq.solve(factor, normal.gradient))
    assert f.decrement == pytest.approx(fall, rel=1e-8)

    def right(e, s):
        return noise[s.first * n : s.last * n] - e.right[: e.own, :q] @ shared

    found = np.full_like(expected, np.nan)
    for s, body in parts.backward(path, f, DAMPING, right, plain=True):
        found[s.first * n : s.last * n] = body[: (s.last - s.first) * n]
    shares = np.zeros((q, 5))
    off = deviations(whole, path, lambda _: DAMPING, np.concatenate([found - expected, shares]))
    assert off.max() < 1e-8 * np.sqrt(TIMES * n)


def test_what_is_asked_by_stretches_is_that_of_the_whole(both):
    whole, parts, path, _ = both
    setup, division = whole.setup, parts.division
    seen, found = look(setup, path, whole.weights), sighted(division, path)
    np.testing.assert_allclose(found.marker, seen.marker, atol=1e-9)
    for name, residual in seen.camera.items():
        np.testing.assert_allclose(found.camera[name], residual, atol=1e-7)
    assert found.rows == seen.rows[3].size
    robust = reweighted(setup, path, whole.weights)
    found = with_weights(division, path).weights
    np.testing.assert_allclose(found.marker, robust.marker)
    assert robust.folds is not None and robust.folds.max() > 0.0
    np.testing.assert_allclose(found.folds, robust.folds)
    bare = replace(path, share=None, swing=None, hinge=-1)
    again = shared_out(division, bare)
    np.testing.assert_allclose(again.share, path.share, atol=1e-12)
    np.testing.assert_allclose(again.swing, path.swing, atol=1e-12)
    assert again.hinge == path.hinge
    factor = np.linspace(1.0, 2.0, TIMES)
    expected = spread(setup, path) * factor[:, None]
    # the largest acceleration is sought on a fine grid that starts with the stretch
    off = np.abs(densities(division, path, factor) / expected - 1.0)
    assert np.median(off) < 1e-12 and off.max() < 0.5


def test_stretches_are_cut_where_it_is_calm_and_hold_every_time_once():
    time = np.arange(4000) * 1e-3
    calm = np.abs(np.sin(np.pi * time / 1.1))
    cuts = cuts_at(time, calm, 1.0, 2000)
    assert cuts[0] == 0 and cuts[-1] == 4000 and (np.diff(cuts) >= 700).all()
    np.testing.assert_array_equal(cuts[1:-1], [1100, 2200, 3300])
    short = cuts_at(time, calm, 1.0, 300)
    assert np.diff(short)[:-1].max() <= 300 and np.diff(short).min() >= 100
    assert cuts_at(time[:30], calm[:30], 1.0, 300).tolist() == [0, 30]
