"""The whole fusion on the virtual bench: a swing in the quick tests, a throw in the long ones."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import Options, estimate
from lashwave.quantities.motion import interpolate
from lashwave.twin import make


def _cut(trial, samples):
    markers = trial.markers
    return replace(
        trial,
        markers=replace(
            markers,
            time=markers.time[:samples],
            position=markers.position[:samples],
            sd=markers.sd[:samples],
        ),
    )


def _off(fit, truth):
    """Distance [m] of the fitted motion from the truth at its own times and stations, (K, S)."""
    motion = truth.motion
    x, _ = interpolate(motion.time.values, motion.position.values, motion.velocity.values, fit.time)
    station = motion.station.values
    j = np.clip(np.searchsorted(station, fit.station, side="right") - 1, 0, station.size - 2)
    w = ((fit.station - station[j]) / (station[j + 1] - station[j]))[:, None]
    return fit.position - ((1 - w) * x[:, j] + w * x[:, j + 1])


@pytest.fixture(scope="module")
def swing():
    trial, truth = make(3, "swing")
    trial = _cut(trial, 100)
    fit = estimate(trial, Options(draws=60, spacing_butt=0.12, spacing_tip=0.04))
    return trial, truth, fit


def test_a_swing_is_found_to_a_millimetre_where_markers_are(swing):
    trial, truth, fit = swing
    off = np.linalg.norm(_off(fit, truth), axis=-1)
    last = np.nanmax(trial.markers.station)
    inner = (fit.station > 0.0) & (fit.station <= last)
    # Stations are known only to their own deviation, which no sighting of a calm line can mend.
    assert np.sqrt((off[:, inner] ** 2).mean()) < 1.0e-3 + 1.5 * trial.markers.station_sd


def test_its_intervals_hold_the_truth_about_as_often_as_stated(swing):
    _, truth, fit = swing
    z = np.abs(_off(fit, truth)) / fit.position_sd
    # One trial is one draw of a correlated field: only gross over-confidence can be seen here.
    assert (z < 1.96).mean() > 0.75


def test_a_motion_keeps_the_line_as_long_as_it_is(swing):
    trial, _, fit = swing
    step = np.linalg.norm(np.diff(fit.position, axis=1), axis=-1).sum(axis=1)
    assert np.abs(step / trial.line.length - 1.0).max() < 2e-3


def test_the_same_trial_gives_the_same_answer(swing):
    trial, _, fit = swing
    again = estimate(trial, Options(draws=60, spacing_butt=0.12, spacing_tip=0.04))
    assert np.allclose(again.position, fit.position, atol=1e-9)


@pytest.mark.parametrize(
    "wishes",
    [
        {"camera": False},
        {"ghosts": 0.05, "swaps": 1},
        {"missing": 0.3},
        {"clock_wrong": 1e-3},
    ],
    ids=["no camera", "ghosts and a swap", "a third missing", "a clock a millisecond wrong"],
)
def test_plainer_and_rougher_records_of_a_swing_are_found_too(wishes):
    trial, truth = make(4, "swing", **wishes)
    trial = _cut(trial, 90)
    fit = estimate(trial, Options(draws=30, spacing_butt=0.12, spacing_tip=0.04))
    off = np.linalg.norm(_off(fit, truth), axis=-1)
    inner = (fit.station > 0.0) & (fit.station <= np.nanmax(trial.markers.station))
    assert np.sqrt((off[:, inner] ** 2).mean()) < 1.0e-3 + 1.5 * trial.markers.station_sd
    z = np.abs(_off(fit, truth)) / fit.position_sd
    assert (z < 1.96).mean() > 0.75


@pytest.mark.slow
def test_a_throw_with_a_camera_is_found_through_its_crack():
    trial, truth = make(1, "throw")
    fit = estimate(trial)
    off = np.linalg.norm(_off(fit, truth), axis=-1)
    assert np.sqrt((off**2).mean()) < 4.0e-3
    peak = np.linalg.norm(fit.velocity[:, -1], axis=-1).max()
    assert abs(peak / truth.answers["peak_tip_speed"] - 1.0) < 0.05
