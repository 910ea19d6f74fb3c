"""A long exposure: the mean place over it, and less trust along the streak."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.options import Options
from lashwave.estimate.path import from_nodes
from lashwave.estimate.setup import set_up
from lashwave.estimate.sighting_rows import BLUR_SD, full_weights, look, time_weights
from lashwave.estimate.sweep import initial_shared
from lashwave.instruments import exposed, project, streaks
from tests.estimate.test_camera_rows import NAME, tip
from tests.twin.rigid import PEAK, rigid_throw

EXPOSURE, STEP = 4e-4, 2e-4


def test_weights_of_an_exposure_are_those_of_the_quadratics_mean() -> None:
    """Simpson's rule is exact for a quadratic."""
    grid = np.array([0.0, 1e-3, 1.8e-3, 3e-3])
    at, half = np.array([0.9e-3, 1.7e-3]), 0.5 * EXPOSURE
    k, mean, _ = time_weights(grid, at, EXPOSURE)
    for number, middle in enumerate(at):
        three = grid[k[number] - 1 : k[number] + 2]
        rule = np.zeros(3)
        for share, moment in ((1, middle - half), (4, middle), (1, middle + half)):
            powers = np.vander(three, 3)
            rule += share / 6.0 * np.linalg.solve(powers.T, moment ** np.array([2, 1, 0]))
        np.testing.assert_allclose(mean[number], rule, atol=1e-12)
    plain, short = time_weights(grid, at)[1], time_weights(grid, at, 1e-5)[1]
    np.testing.assert_array_equal(plain, short)


@pytest.fixture(scope="module")
def seen():
    """Residuals [sd] of points blurred over the exposure, by the true path; with and without."""
    trial, truth = rigid_throw(4)
    camera = trial.cameras[0]
    drift = truth.notes[f"clock_drift:{NAME}"]
    offset = truth.answers[f"clock_offset:{NAME}"]
    middle = offset + (1.0 + drift) * camera.frame / camera.rate
    shift = [truth.answers[f"registration_{c}:{NAME}"] for c in "uv"]
    uv = exposed(camera, middle, lambda t: tip(trial, t)[0], EXPOSURE) + shift
    blurred = replace(camera, uv=uv, exposure=EXPOSURE)
    found = {}
    for name, one in (("mean", blurred), ("moment", replace(blurred, exposure=0.0))):
        setup = set_up(
            replace(trial, cameras=(one,)),
            Options(spacing_butt=1.0, spacing_tip=1.0, spacing_clamp=0.3),
        )
        time = PEAK + STEP * np.arange(-15, 16)
        node = truth.path.at(time, setup.chain.station)[0]
        shared = initial_shared(setup)
        said = {"clock_offset": offset, "clock_drift": drift}
        said |= {"registration_u": shift[0], "registration_v": shift[1]}
        for key, value in said.items():
            shared[setup.shared.index(f"{key}:{NAME}")] = value
        path = from_nodes(setup, time, node, shared)
        found[name] = one, look(setup, path, full_weights(setup)), setup
    return trial, middle, found


def test_points_are_compared_with_the_mean_place_over_the_exposure(seen) -> None:
    trial, middle, found = seen
    camera = found["moment"][0]
    inside = np.isfinite(found["mean"][1].camera[NAME][:, 0])
    # The mean leaves the middle by acceleration x exposure**2 / 24: several px here.
    away = project(camera, tip(trial, middle)[0]) - project(
        camera, tip(trial, middle + 0.5 * EXPOSURE)[0]
    )
    assert np.abs(away).max() > 1.0
    mean = np.abs(found["mean"][1].camera[NAME][inside]).max()
    moment = np.abs(found["moment"][1].camera[NAME][inside]).max()
    assert mean < 0.2 * moment and moment > 1.0


def test_a_point_counts_less_along_its_streak(seen) -> None:
    _, _, found = seen
    camera, look_at, setup = found["mean"]
    length = np.linalg.norm(streaks(camera), axis=1)
    value, tcol, tval = look_at.rows[3], look_at.rows[4], look_at.rows[5]
    columns = [setup.shared.index(f"registration_{c}:{NAME}") for c in "uv"]
    own = np.flatnonzero(np.isin(tcol, columns).any(axis=1))
    slopes = np.stack(
        [np.where(tcol[own] == c, tval[own], 0.0).sum(axis=1) for c in columns], axis=1
    ).reshape(-1, 2, 2)
    inside = np.isfinite(look_at.camera[NAME][:, 0])
    way = (streaks(camera) / length[:, None])[inside]
    along = np.linalg.norm(np.einsum("rcd,rd->rc", slopes, way), axis=1)
    across = np.linalg.norm(np.einsum("rcd,rd->rc", slopes, way[:, ::-1] * [-1, 1]), axis=1)
    sd = camera.point_sd[inside]
    np.testing.assert_allclose(across, 1.0 / sd, rtol=1e-9)
    np.testing.assert_allclose(along, 1.0 / np.hypot(sd, BLUR_SD * length[inside]), rtol=1e-9)
    assert value.size
