"""When a grip is seen by too few markers, and what is said of it."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.instruments.marker_system import few_seen
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial

TIME = np.arange(250) / 500.0


def trial(hidden=(), handle=0.2):
    """Two markers on a grip, one at its side, one on the line; (marker, from, to) [s] hidden."""
    station = np.array([0.03, 0.17, 0.5, np.nan])
    place = np.zeros((TIME.size, 4, 3))
    for marker, begin, end in hidden:
        place[slice(*np.searchsorted(TIME, [begin - 1e-9, end - 1e-9])), marker] = np.nan
    markers = Markers(TIME, ("G1", "G2", "M1", "H1"), place, np.full((TIME.size, 4), 3e-4), station)
    one = np.ones(2)
    line = Line(np.array([0.0, 1.0]), 4e-3 * one, 0.02 * one, handle_length=handle)
    return Trial("seen", line, markers)


def without_side(made):
    place = made.markers.position.copy()
    place[:, 3] = np.nan
    return replace(made, markers=replace(made.markers, position=place))


def test_a_grip_seen_by_two_is_not_spoken_of():
    assert few_seen(trial()) == []
    assert few_seen(trial([(0, 0.1, 0.11)])) == []  # a gap that can be bridged
    assert few_seen(trial([(2, 0.0, 1.0)])) == []  # the line's own marker
    assert few_seen(trial([(0, 0.2, 1.0)], handle=0.0)) == []


def test_a_marker_lost_to_the_end_is_said_with_the_time_and_what_is_at_stake():
    (found,) = few_seen(without_side(trial([(0, 0.208, 1.0)])))
    assert found.axis == ("G2",) and found.to_the_end
    assert found.begin == pytest.approx(0.208, abs=2.1e-3)
    assert found.words.startswith("the grip is held by one marker (G2) from 0.20")
    assert " s on: its direction is then known from the line only" in found.words
    assert "torque and work are less sure" in found.words


def test_a_side_marker_is_named_as_a_help():
    (found,) = few_seen(trial([(1, 0.1, 0.3)]))
    assert (found.axis, found.side, found.to_the_end) == (("G1",), ("H1",), False)
    assert "from 0.100 to 0.298 s" in found.words or "from 0.098 to 0.298 s" in found.words
    assert "from the line and H1;" in found.words


def test_a_change_of_the_marker_that_is_left_is_another_stretch():
    found = few_seen(without_side(trial([(0, 0.1, 0.2), (1, 0.2, 0.3)])))
    assert [f.axis for f in found] == [("G2",), ("G1",)]


def test_a_grip_that_nothing_shows_is_said_to_be_moved_by_the_line_only():
    (found,) = few_seen(without_side(trial([(0, 0.3, 1.0), (1, 0.3, 1.0)])))
    assert "held by no marker" in found.words
    assert "its motion is then known from the line only" in found.words
