"""Where a driven end's motion comes from while one of its two markers is out of sight.

The grip here turns steadily and its butt is at rest, so its true direction is a formula of time.
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.ends import driven_end
from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, chords
from lashwave.estimate.setup import set_up
from lashwave.estimate.sweep import initial_shared
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial

HANDLE, TURN, SD = 0.2, 12.0, 0.3e-3  # m, rad/s, m
REAR, FRONT, SIDE = 0, 1, 5
LOST = 0.1


def along(time):
    """Direction (T, 3) of grip and line at times (T,)."""
    angle = TURN * np.asarray(time) + 0.3
    return np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)


def throw(lost=(), since=LOST, until=np.inf):
    """A straight line that turns about its butt at rest, some of its markers lost for a while."""
    time = np.arange(0.0, 0.2001, 2e-3)
    station = np.array([0.03, 0.17, 0.5, 0.8, 1.0, np.nan])
    place = station[:, None] * along(time)[:, None]
    # the side marker stands 0.05 m off the axis, out of the plane, at a height of 0.1 m
    place[:, SIDE] = 0.1 * along(time) + [0.0, 0.05, 0.0]
    place += SD * np.random.default_rng(5).standard_normal(place.shape)
    away = (time >= since) & (time < until)
    for marker in lost:
        place[away, marker] = np.nan
    labels = ("G1", "G2", "M1", "M2", "M3", "H1")
    markers = Markers(time, labels, place, np.full(place.shape[:2], SD), station)
    line = Line(
        np.array([0.0, 1.0]), np.array([4e-3, 4e-3]), np.array([0.02, 0.02]),
        np.array([1e-3, 1e-3]), handle_length=HANDLE,
    )  # fmt: skip
    return Trial("turning", line, markers)


def forecast(trial, start, until):
    """The grip that a forecast is given, after a path that knows the truth up to `start`."""
    setup = set_up(trial, Options(spacing_butt=0.2, spacing_tip=0.2, spacing_clamp=0.1))
    time = start - 1e-3 * np.arange(10)[::-1]
    direction = np.repeat(along(time)[:, None], setup.chain.links, axis=1)
    path = Path(time, np.zeros((10, 3)), direction, setup.shared.mean, chords(setup, direction))
    return driven_end(setup, far=False).ahead(setup, path, until)


@pytest.mark.parametrize("lost", [(), (REAR,), (FRONT,), (REAR, FRONT)], ids=str)
def test_a_forecast_turns_the_grip_as_it_turned_with_whatever_markers_are_left(lost):
    start, until = 0.15, 0.162
    at = np.linspace(start, until, 7)
    place, _, _, direction, rate, _ = forecast(throw(lost), start, until).at(at)
    # 0.3 mm on a lever of 0.14 m or more, and on the 4 ms from which a rate is told
    assert np.linalg.norm(direction - along(at), axis=-1).max() < 0.01
    assert np.abs(np.linalg.norm(rate, axis=-1) / TURN - 1.0).max() < 0.15
    assert np.linalg.norm(place, axis=-1).max() < 2e-3


def test_a_marker_that_is_lost_during_a_forecast_is_not_used_in_it():
    start, until = LOST - 6e-3, LOST + 6e-3
    at = np.linspace(start, until, 7)
    direction = forecast(throw((REAR,)), start, until).at(at)[3]
    assert np.linalg.norm(direction - along(at), axis=-1).max() < 0.01


def test_short_gaps_are_bridged_and_long_ones_are_not():
    both = driven_end(set_up(throw((REAR,), 0.1, 0.11), Options()), far=False).both
    assert both.all()
    end = driven_end(set_up(throw((REAR,), 0.1, 0.15), Options()), far=False)
    away = (end.time >= 0.1) & (end.time < 0.15)
    assert not end.both[away].any() and end.both[~away].all()


@pytest.mark.parametrize("lost", [(), (REAR,), (FRONT,)], ids=str)
def test_a_side_markers_place_on_the_grip_is_told_while_the_axis_is_seen(lost):
    setup = set_up(throw(lost), Options())
    shared = initial_shared(setup)
    found = [shared[setup.shared.index(f"{what}:H1")] for what in ("axial", "radial")]
    np.testing.assert_allclose(found, [0.1, 0.05], atol=3 * SD)


def test_a_side_marker_of_a_grip_with_one_marker_is_told_from_the_lines_first_shape():
    trial = throw((REAR,), since=0.0)
    setup = set_up(replace(trial, markers=trial.markers), Options())
    shared = initial_shared(setup)
    found = [shared[setup.shared.index(f"{what}:H1")] for what in ("axial", "radial")]
    np.testing.assert_allclose(found, [0.1, 0.05], atol=5e-3)
