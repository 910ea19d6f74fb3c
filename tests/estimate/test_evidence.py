"""What a trial says of its scales: the principle on an oscillator, the code on a small swing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag

from lashwave.estimate import normal as eq
from lashwave.estimate.evidence import LAWS, Evidence, State, as_arrays, from_arrays
from lashwave.estimate.fusion import solved
from lashwave.estimate.options import Options
from lashwave.files.kept import keep_arrays, kept_arrays
from lashwave.study import scales
from lashwave.twin import make


def oscillator(damping, count=200, step=0.3, force=0.3):
    """Rows of x'' + damping x' + 4 x = white force on a grid, midpoint rule, whitened."""
    rows = np.zeros((count - 2, count))
    for k in range(count - 2):
        rows[k, k : k + 3] = np.array([1, -2, 1]) / step + damping / 2 * np.array([-1, 0, 1])
        rows[k, k : k + 3] += step * np.array([1.0, 2.0, 1.0])
    return rows / (force * np.sqrt(step))


def test_absorbed_makes_the_misfit_fair_where_no_force_is_at_work():
    """A free decay seen under unit noise, fitted with a random force allowed: least misfit and path
    together put damping low; with what the path absorbs the expectation is least at the truth.
    Independent of the package: dense matrices, E y'Py = m'Pm + tr P (Searle, Linear Models (1971),
    section 2.5), and noise drawn."""
    true, grid = 0.15, np.arange(0.05, 0.3001, 0.002)
    rows = oscillator(true)
    root = np.roots(rows[0, 2::-1])[0]
    motion = 2.0 * np.real(root ** np.arange(rows.shape[1]))
    assert np.abs(rows @ motion).max() < 1e-9
    eye = np.eye(motion.size)
    hats = [np.linalg.inv(oscillator(d).T @ oscillator(d) + eye) for d in grid]
    absorbed = np.array([np.trace(hat) for hat in hats])
    misfit = np.array([motion @ (eye - h) @ motion for h in hats]) + motion.size - absorbed
    assert grid[misfit.argmin()] < true - 0.01
    assert grid[(misfit + absorbed).argmin()] == pytest.approx(true, abs=1e-9)
    noisy = motion + np.random.default_rng(5).normal(size=(3000, motion.size))
    for i in (20, 100):
        drawn = ((noisy @ (eye - hats[i])) * noisy).sum(axis=1)
        assert abs(drawn.mean() - misfit[i]) < 3.5 * drawn.std() / np.sqrt(3000)


@pytest.fixture(scope="module")
def swing():
    trial, _ = make(3, "swing")
    m = trial.markers
    cut = replace(m, time=m.time[:40], position=m.position[:40], sd=m.sd[:40])
    trial = replace(trial, markers=cut)
    setup, joint = solved(trial, Options(spacing_butt=0.2, spacing_tip=0.1))
    state = State(joint.path, joint.density, joint.weights, joint.anchor)
    return setup, state, Evidence(setup, state)


def test_a_state_comes_back_from_disk(swing, tmp_path):
    setup, state, _ = swing
    keep_arrays(tmp_path / "deep" / "state.npz", as_arrays(state))
    again = from_arrays(setup, kept_arrays(tmp_path / "deep" / "state.npz"))
    for one, other in zip(vars(again.path).values(), vars(state.path).values(), strict=True):
        assert np.array_equal(one, other)
    cost = [
        eq.cost_of(setup, s.path, s.density, s.weights, s.anchor) for s in (state, again)
    ]  # fmt: skip
    assert cost[0] == cost[1]
    other = {**as_arrays(state), "direction": state.path.direction[:, :-1]}
    assert from_arrays(setup, other) is None
    assert from_arrays(setup, {}) is None
    (tmp_path / "bad.npz").write_bytes(b"PK\x03\x04 not whole")
    assert (
        kept_arrays(tmp_path / "bad.npz") is None and kept_arrays(tmp_path / "absent.npz") is None
    )


def test_absorbed_is_the_trace_of_the_hat_matrix(swing):
    """tr(H^-1 A'A) by dense algebra; A'A from a cost without dynamics cannot be had, so from the
    difference of two builds whose sightings weigh differently."""
    setup, state, evidence = swing
    half = replace(
        state.weights,
        marker=0.5 * state.weights.marker,
        camera={n: 0.5 * w for n, w in state.weights.camera.items()},
    )
    whole, less = (
        _dense(eq.build(setup, evidence.path, state.density, w, state.anchor))
        for w in (state.weights, half)
    )
    trace = float(np.trace(np.linalg.solve(whole, 2.0 * (whole - less))))
    # A central difference over a tenth of the weights: second order in it.
    assert evidence.terms.absorbed == pytest.approx(trace, rel=2e-3)


def _dense(normal):
    """The normal matrix without the law's scales, whole."""
    size = normal.band.shape[1]
    out = block_diag(np.zeros((size, size)), normal.corner[LAWS:, LAWS:])
    for d in range(normal.band.shape[0]):
        row = np.arange(size - d)
        out[row + d, row] = out[row, row + d] = normal.band[d, : size - d]
    out[:size, size:] = normal.border[:, LAWS:]
    out[size:, :size] = normal.border[:, LAWS:].T
    return out


def test_no_shift_changes_nothing(swing):
    _, _, evidence = swing
    here = evidence.at(np.zeros(LAWS))
    assert here.misfit == pytest.approx(evidence.terms.misfit, abs=1e-6)
    assert np.isnan(here.absorbed)


def test_information_is_the_schur_complement(swing):
    """Of the normal matrix over everything, by dense algebra, less the scales' prior."""
    setup, state, evidence = swing
    normal = eq.build(setup, evidence.path, state.density, state.weights, state.anchor)
    cross = np.concatenate([normal.border[:, :LAWS], normal.corner[LAWS:, :LAWS]])
    out = normal.corner[:LAWS, :LAWS] - cross.T @ np.linalg.solve(_dense(normal), cross)
    out -= np.diag(1.0 / setup.shared.sd[:LAWS] ** 2)
    assert evidence.information == pytest.approx(out, abs=1e-6 * np.abs(out).max())
    assert np.linalg.eigvalsh(evidence.information).min() > -1e-6


def test_a_likelihood_is_computed_once_and_then_taken_from_what_was_kept(swing, monkeypatch):
    setup, state, _ = swing
    shelf = {"state": as_arrays(state)}
    monkeypatch.setattr(scales, "set_up", lambda trial, options: setup)
    told = []
    first = scales.likelihood_of(setup.trial, shelf.get, shelf.__setitem__, told.append)
    assert set(shelf) == {"state", "cross"}
    assert told == sorted(told) and told[0] >= scales.FITTED
    names = ("drag_normal", "drag_tangential", "stiffness_scale", "damping_time")
    assert first.names == names
    for shift, value in zip(first.shift, first.value, strict=True):
        assert shift.size == 4 and np.all(np.isfinite(value))
    second = scales.likelihood_of(setup.trial, shelf.get, None, None)
    at = np.array([0.1, 0.2, -0.1, 0.3])
    assert second.expand(at)[0] == pytest.approx(first.expand(at)[0], rel=1e-12)
