"""A camera's rows against plain formulas: a straight line that turns by a tanh of time.

The tip's place and speed, the lab time of a frame and the image in parallel light are written out
here, so that a sign of the clock or of the image offset cannot be wrong in both.
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.options import Options
from lashwave.estimate.path import from_nodes, moved
from lashwave.estimate.setup import set_up
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.estimate.sweep import initial_shared
from lashwave.mechanics.air import medium
from tests.twin.rigid import MACH, PEAK, WIDTH, rigid_throw

STEP = 2e-5
NAME = "tip-view"
BY = ("clock_offset", "clock_drift", "registration_u", "registration_v")


@pytest.fixture(scope="module")
def problem():
    """Trial, truth, setup and a path that follows the truth with the true clock and offsets."""
    trial, truth = rigid_throw(4)
    setup = set_up(trial, Options(spacing_butt=1.0, spacing_tip=1.0, spacing_clamp=0.3))
    time = PEAK + STEP * np.arange(-100, 101)
    node = truth.path.at(time, setup.chain.station)[0]
    shared = initial_shared(setup)
    for name in BY[:1] + BY[2:]:
        shared[setup.shared.index(f"{name}:{NAME}")] = truth.answers[f"{name}:{NAME}"]
    drift = truth.notes[f"clock_drift:{NAME}"]
    shared[setup.shared.index(f"clock_drift:{NAME}")] = drift
    return trial, truth, setup, from_nodes(setup, time, node, shared)


def tip(trial, time):
    """Place and velocity (P, 3) of the far end at times (P,), in closed form."""
    length = trial.line.length
    turn = MACH * float(medium(trial.air).sound_speed) * WIDTH / length
    x = (time - PEAK) / WIDTH
    angle, rate = turn * np.tanh(x) + 1.2, turn / WIDTH / np.cosh(x) ** 2
    none = np.zeros_like(angle)
    place = length * np.stack([np.cos(angle), none, np.sin(angle)], axis=-1) + [0.0, 0.0, 1.0]
    speed = length * rate[:, None] * np.stack([-np.sin(angle), none, np.cos(angle)], axis=-1)
    return place, speed


def plain(trial, offset, drift, u, v):
    """Residual (P, 2) of the camera's points in standard deviations: seen there, less read."""
    camera = trial.cameras[0]
    time = offset + (1.0 + drift) * camera.frame / camera.rate
    image = tip(trial, time)[0] @ camera.projection[:2, :3].T + camera.projection[:2, 3]
    return (image + np.array([u, v]) - camera.uv) / camera.sd, time


def of(setup, path):
    return [path.shared[setup.shared.index(f"{name}:{NAME}")] for name in BY]


def camera_rows(setup, path):
    """Values (P, 2) and derivatives (P, 2, 4) by the camera's parameters, points in their order."""
    seen = look(setup, path, full_weights(setup))
    value, tcol, tval = seen.rows[3], seen.rows[4], seen.rows[5]
    columns = [setup.shared.index(f"{name}:{NAME}") for name in BY]
    own = np.flatnonzero(np.isin(tcol, columns).any(axis=1))
    slope = np.zeros((own.size, 4))
    for i, column in enumerate(columns):
        slope[:, i] = np.where(tcol[own] == column, tval[own], 0.0).sum(axis=1)
    return value[own].reshape(-1, 2), slope.reshape(-1, 2, 4)


def test_points_of_the_truth_are_met_within_their_noise(problem):
    trial, _, setup, path = problem
    residual, time = plain(trial, *of(setup, path))
    assert time.min() > path.time[0] and time.max() < path.time[-1]
    seen = look(setup, path, full_weights(setup)).camera[NAME]
    # 0.4 px is 0.14 mm; the quadratic of three times 20 us apart is good to a hundredth of it
    np.testing.assert_allclose(seen, residual, atol=0.05)
    assert 0.75 < np.sqrt((seen**2).mean()) < 1.25


def test_the_slopes_by_clock_and_image_offset_are_those_of_the_plain_formula(problem):
    trial, _, setup, path = problem
    camera = trial.cameras[0]
    value, slope = camera_rows(setup, path)
    residual, time = plain(trial, *of(setup, path))
    np.testing.assert_allclose(value, residual, atol=0.05)
    flow = tip(trial, time)[1] @ camera.projection[:2, :3].T / camera.sd
    assert np.abs(flow).max() > 1e5  # 400 m/s are two thousand deviations in 10 us
    scale = np.abs(flow).max()
    np.testing.assert_allclose(slope[..., 0], flow, atol=2e-3 * scale)
    seconds = (camera.frame / camera.rate)[:, None]
    np.testing.assert_allclose(slope[..., 1], flow * seconds, atol=2e-3 * scale * seconds.max())
    np.testing.assert_allclose(slope[..., 2], np.tile([1.0, 0.0], (time.size, 1)) / camera.sd)
    np.testing.assert_allclose(slope[..., 3], np.tile([0.0, 1.0], (time.size, 1)) / camera.sd)


@pytest.mark.parametrize("which, small", [(0, 1e-7), (1, 1e-6), (2, 0.5), (3, 0.5)], ids=BY)
def test_residuals_move_with_a_parameter_as_the_plain_formula_does(problem, which, small):
    trial, _, setup, path = problem
    column = setup.shared.index(f"{BY[which]}:{NAME}")
    ends, expected = [], []
    for sign in (1.0, -1.0):
        shared = path.shared.copy()
        shared[column] += sign * small
        there = replace(path, shared=shared)
        ends.append(look(setup, there, full_weights(setup)).camera[NAME])
        expected.append(plain(trial, *of(setup, there))[0])
    change = expected[0] - expected[1]
    assert np.abs(change).max() > 0.05
    np.testing.assert_allclose(ends[0] - ends[1], change, atol=0.01 * np.abs(change).max())


def test_the_rows_slopes_by_places_are_their_derivative(problem):
    trial, _, setup, path = problem
    nodes, p, w = look(setup, path, full_weights(setup)).rows[:3]
    camera = trial.cameras[0]
    step = np.zeros(path.time.size * setup.unknowns + path.shared.size)
    step.reshape(-1)[: path.time.size * setup.unknowns].reshape(path.time.size, -1)[:, :3] = [
        1e-3, -2e-3, 3e-3,
    ]  # fmt: skip
    shift = np.array([1e-3, -2e-3, 3e-3])
    before = look(setup, path, full_weights(setup)).camera[NAME]
    after = look(setup, moved(setup, path, path.axes, step), full_weights(setup)).camera[NAME]
    # the whole line moved by 1, -2, 3 mm: the image moves by the projection's first three columns
    expected = np.tile(camera.projection[:2, :3] @ shift / camera.sd, (before.shape[0], 1))
    np.testing.assert_allclose(after - before, expected, rtol=1e-6)
    assert nodes.shape[0] == p.shape[0] == w.shape[0]
    np.testing.assert_allclose(w.sum(axis=1), 1.0, atol=1e-9)
