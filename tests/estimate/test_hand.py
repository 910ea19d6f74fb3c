"""The hand's random jerk: its density, its rows, and the band that they widen."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave import twin
from lashwave.estimate import Options, jerk_rows, normal as eq
from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.hand_jerk import jerk_density
from lashwave.estimate.noise import spread
from lashwave.estimate.path import moved, with_shares
from lashwave.estimate.setup import set_up
from lashwave.estimate.sighting_rows import full_weights
from lashwave.estimate.sweep import initial_shared, spline_path


@pytest.fixture(scope="module")
def problem():
    """A short stretch of a swing, as its markers' splines have it."""
    trial, _ = twin.make(3, "swing")
    setup = replace(set_up(trial, Options()), hand_jerk=jerk_density(trial))
    begin = trial.markers.time[100]
    path = spline_path(setup, begin + 1.5e-3 * np.arange(8), initial_shared(setup))
    return setup, path


def test_the_density_of_a_walk_that_was_made_is_found():
    # a Wiener acceleration integrated twice, exactly, seen in noise of 0.3 mm: 3 x 3 tracks of 1 s
    step, q, sd = 2e-3, 2.0e4, 0.3e-3
    rng = np.random.default_rng(4)
    fine = np.linalg.cholesky(
        q
        * np.array(
            [
                [step**5 / 20, step**4 / 8, step**3 / 6],
                [step**4 / 8, step**3 / 3, step**2 / 2],
                [step**3 / 6, step**2 / 2, step],
            ]
        )
    )
    move = np.array([[1.0, step, step**2 / 2], [0.0, 1.0, step], [0.0, 0.0, 1.0]])
    state, track = np.zeros((3, 9)), []
    for _ in range(500):
        state = move @ state + fine @ rng.standard_normal((3, 9))
        track.append(state[0])
    place = np.array(track).reshape(500, 3, 3) + sd * rng.standard_normal((500, 3, 3))
    place[100:140, 1] = np.nan
    trial, _ = twin.make(3, "swing")
    markers = replace(
        trial.markers,
        time=step * np.arange(500), position=place, labels=("a", "b", "c"),
        station=np.array([0.01, 0.02, 0.03]), sd=np.full((500, 3), sd),
    )  # fmt: skip
    found = jerk_density(replace(trial, markers=markers))
    # tau = (sd^2 step / q)^(1/6) = 4.6 ms resolves some 200 increments a coordinate: about 3 %
    assert np.log(found / q) == pytest.approx(0.0, abs=0.15)


def test_steady_acceleration_and_steady_turning_cost_nothing(problem):
    setup, path = problem
    time = path.time - path.time[0]
    steady = replace(
        path,
        base=np.outer(time**2, [1.0, -2.0, 0.5]) + np.outer(time, [3.0, 0.0, 1.0]),
        direction=np.broadcast_to(path.direction[:1], path.direction.shape).copy(),
        chord=np.broadcast_to(path.chord[:1], path.chord.shape).copy(),
    )
    value, _ = jerk_rows.jerk_rows(setup, steady)
    # rounding: second differences of a metre, 1.5 ms apart
    assert np.abs(value).max() < 1e-15 / 1.5e-3**2 * 100 / np.sqrt(setup.hand_jerk * 1.5e-3)


def test_the_slopes_of_the_rows_are_their_derivatives(problem):
    setup, path = problem
    step = np.zeros(path.time.size * setup.unknowns + setup.shared.mean.size)
    rng = np.random.default_rng(0)
    step[: path.time.size * setup.unknowns] = rng.standard_normal(path.time.size * setup.unknowns)
    small = 1e-6
    ends = [
        jerk_rows.jerk_rows(setup, moved(setup, path, path.axes, e * small * step))[0]
        for e in (1, -1)
    ]
    _, slope = jerk_rows.jerk_rows(setup, path)
    body = step[: path.time.size * setup.unknowns].reshape(path.time.size, -1)
    own = body[:, : jerk_rows.width(setup)]
    near = np.arange(slope.shape[0])[:, None] + np.arange(jerk_rows.TIMES)
    expected = np.einsum("rmsu,rsu->rm", slope, own[near])
    np.testing.assert_allclose(
        (ends[0] - ends[1]) / (2 * small), expected, atol=1e-6 * np.abs(expected).max()
    )


def test_the_widened_band_is_solved_as_the_dense_equations_are(problem):
    setup, path = problem
    density = spread(setup, path)
    path = with_shares(setup, path, density)
    normal = eq.build(setup, path, density, full_weights(setup, 10.0), shape_prior(setup, path))
    size = path.time.size * setup.unknowns
    assert normal.band.shape[0] == 3 * setup.unknowns + jerk_rows.width(setup)
    whole = np.zeros((size, size))
    for i, row in enumerate(normal.band):
        whole[np.arange(i, size), np.arange(size - i)] = row[: size - i]
    whole += np.tril(whole, -1).T
    whole = np.block([[whole, normal.border], [normal.border.T, normal.corner]])
    whole[np.arange(size), np.arange(size)] += 1.0
    right = np.random.default_rng(2).standard_normal(whole.shape[0])
    found = eq.solve(eq.factor(normal, 1.0), right)
    np.testing.assert_allclose(found, np.linalg.solve(whole, right), rtol=1e-6, atol=1e-12)
