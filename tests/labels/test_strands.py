"""Strands, and what one marker cannot do: crossings, drop-outs, ghosts beside them.

The truth is the invented motion's own: parabolas and circles in closed form, and the line that
folds back on itself of `lines`.
"""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.labels.assign import Scale, label_points
from lashwave.labels.continuity import crossed_ways, jumps
from lashwave.labels.point_tracks import goes_on, linked, strands_of
from lashwave.labels.same_marker import disputed, elsewhere, off_grip_distance
from tests.points.lines import GRIP, STATION, STEP, fold, seen

SD = 0.3e-3
SCALE = Scale(STEP, sd=SD, rigid_to=GRIP)


def flight(samples: np.ndarray, angle: float = 0.0) -> np.ndarray:
    """(n, 3) [m]: 6 m/s through the origin at sample 0, on a circle of 0.5 m: 72 m/s2."""
    turn = 12.0 * samples * STEP
    x, y = 0.5 * np.sin(turn), 0.5 * (1.0 - np.cos(turn))
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * x - s * y, s * x + c * y, 0.0 * x], axis=-1)


def noisy(place: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(place + rng.normal(0.0, SD, place.shape))


@pytest.mark.parametrize("lost", [3, 6, 9])
def test_a_marker_that_was_lost_goes_on_and_a_ghost_beside_it_does_not(lost: int) -> None:
    rng = np.random.default_rng(lost)
    before, after = np.arange(-10, 0), np.arange(lost, lost + 10)
    passed = 0
    for _ in range(200):
        there, then = noisy(flight(before), rng), noisy(flight(after), rng)
        passed += goes_on(before, there, after, then, SD)
        # 20 mm off is nearer than any reflection of the twin: it never passes for the marker
        ghost = then + 20e-3 * np.array([0.6, 0.0, 0.8])
        assert not goes_on(before, there, after, ghost, SD)
    assert passed > 190  # 99.9 % by construction, less what the polynomial leaves of the circle


def test_markers_that_cross_while_both_are_lost_keep_their_ways() -> None:
    # Two pass through one place, 60 degrees apart, lost for 5 samples there, and linked wrongly.
    rng = np.random.default_rng(1)
    time = np.concatenate([np.arange(-12, -2), np.arange(3, 13)])
    one, two = (noisy(flight(time, angle), rng) for angle in (0.0, np.pi / 3))
    sample, place = np.concatenate([time, time]), np.concatenate([one, two])
    late = np.tile(time > 0, 2)
    true = np.repeat([0, 1], time.size)
    linked = np.where(late, 1 - true, true)
    found = strands_of(sample - sample.min(), place, linked, SD)
    assert not set(found[true == 0]) & set(found[true == 1])


@pytest.mark.parametrize("lost", [20, 40])
def test_a_long_gap_is_not_bridged(lost: int) -> None:
    # A polynomial that may do anything in between tells nothing apart.
    rng = np.random.default_rng(lost)
    before, after = np.arange(-10, 0), np.arange(lost, lost + 10)
    there, then = noisy(flight(before), rng), noisy(flight(after), rng)
    assert not goes_on(before, there, after, then, SD)


@pytest.mark.parametrize("seed", range(3))
def test_no_strand_holds_two_markers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sample, place, label = seen(fold(150, seed), rng, lost=0.1)
    strand = strands_of(sample, place, linked(sample, place, SD, STEP), SD)
    for k in np.unique(strand):
        own = label[strand == k]
        assert np.unique(own[own >= 0]).size <= 1
    size = np.bincount(strand)[strand]
    assert np.mean(size[label >= 0] >= 10) > 0.8


@pytest.mark.parametrize("lost", [3, 8, 15, 25, 40])
def test_no_label_goes_to_a_ghost_where_a_marker_was_lost(lost: int) -> None:
    # A marker drops out, and a reflection 40 mm beside it is seen all the while and 15 samples on.
    rng = np.random.default_rng(lost)
    true = fold(150, lost)
    column = int(rng.integers(3, 10))
    start = int(rng.integers(40, 80))
    sample, place, label = seen(true, rng, ghosts=0.05)
    gone = (label == column) & (sample >= start) & (sample < start + lost)
    when = np.arange(start, start + lost + 15)
    false = noisy(true[when, column] + 40e-3 * np.array([0.0, 0.8, 0.6]), rng)
    sample = np.concatenate([sample[~gone], when])
    place = np.concatenate([place[~gone], false])
    label = np.concatenate([label[~gone], np.full(when.size, -1)])
    found = label_points(sample, place, STATION, SCALE)
    given = found.station >= 0
    assert np.array_equal(found.station[given], label[given])
    assert given.sum() > 0.7 * (label >= 0).sum()


def test_of_two_strands_seen_together_one_keeps_the_label() -> None:
    sample = np.concatenate([np.arange(20), np.arange(30)])
    strand = np.repeat([0, 1], [20, 30])
    label = np.full(50, -1)
    label[:15] = 3  # most of the one
    label[45:] = 3  # and of the other the end, where the first is gone
    assert np.array_equal(np.flatnonzero(elsewhere(sample, label, strand)), np.arange(45, 50))
    # one after the other is no contradiction
    label[45:] = -1
    assert not elsewhere(sample, label, strand).any()


def test_a_strand_found_where_another_label_was_going_loses_its_own() -> None:
    rng = np.random.default_rng(2)
    early, late = np.arange(0, 40), np.arange(43, 60)
    sample = np.concatenate([early, late])
    place = noisy(flight(sample), rng)
    strand = np.repeat([0, 1], [early.size, late.size])
    label = np.repeat([5, 8], [early.size, late.size])
    assert np.array_equal(disputed(sample, place, label, strand, SD), label == 8)
    # the longer of the two keeps its label, whichever comes first
    assert np.array_equal(disputed(59 - sample, place, label, strand, SD), label == 8)
    # and a marker that is elsewhere disputes nothing
    place[label == 8] += 0.1
    assert not disputed(sample, place, label, strand, SD).any()


def test_a_point_that_lies_on_two_ways_ends_neither() -> None:
    rng = np.random.default_rng(3)
    own = noisy(flight(np.arange(-8, 1)), rng)  # a run that ends at the crossing
    other = noisy(flight(np.array([-1, 1]), angle=2.0), rng)  # seen before and after, nameless
    sample = np.concatenate([np.arange(-8, 1), [-1, 1]]) + 8
    place = np.concatenate([own, other])
    label = np.array([4] * 9 + [-1, -1])
    assert np.array_equal(np.flatnonzero(crossed_ways(sample, place, label, SD)), [8])
    assert not crossed_ways(sample[:9], place[:9], label[:9], SD).any()


def test_a_lone_point_in_a_wide_gap_is_no_evidence() -> None:
    # Where 12 samples of a whirling marker are lost, its place is not known to 10 mm.
    rng = np.random.default_rng(4)
    time = np.concatenate([np.arange(0, 20), [26], np.arange(32, 52)])
    turn = 60.0 * time * STEP  # 30 m/s on 0.5 m
    place = 0.5 * np.stack([np.sin(turn), np.cos(turn), 0.0 * turn], axis=-1)
    place = noisy(place, rng)
    label = np.zeros(time.size, np.int64)
    assert jumps(time, place, label, SD)[20]
    # the same marker at a quarter of the pace, and lost for one sample, is known well enough
    slow = noisy(flight(np.arange(40)), rng)
    keep = np.arange(40) != 20
    assert not jumps(np.arange(40)[keep], slow[keep], np.zeros(39, np.int64), SD).any()


def test_a_handle_marker_as_far_from_one_of_the_grip_is_told_by_a_third() -> None:
    # G1 at the origin of a turning body, G2 and H1 both 100 mm from it, H2 elsewhere.
    rng = np.random.default_rng(5)
    body = 0.1 * np.array([[0, 0, 0], [1, 0, 0], [0.8, 0.6, 0], [-0.2, 0.7, 0.1]])
    turn = 3.0 * np.arange(120) * STEP
    c, s, o = np.cos(turn), np.sin(turn), np.zeros(120)
    spin = np.stack([c, -s, o, s, c, o, o, o, o + 1.0], axis=-1).reshape(-1, 3, 3)
    place = np.einsum("tij,kj->tki", spin, body) + np.array([1.0, 0.0, 2.0])
    place[..., 2] += 0.5 * np.sin(turn)[:, None]
    sample, column = np.nonzero(np.ones((120, 4)))
    points = noisy(place[sample, column], rng)
    label = np.where(column < 2, column, -1)
    late = sample >= 90  # where H1 is taken for G2, which is not seen
    keep = ~(late & (column == 1))
    label = np.where(late & (column == 2), 1, label)[keep]
    strand = (column + 4 * late)[keep]
    wrong = off_grip_distance(sample[keep], points[keep], label, strand, np.array([0, 1]), SD)
    assert np.array_equal(wrong, (late & (column == 2))[keep])
