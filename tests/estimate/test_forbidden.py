"""No motion leaves that physics forbids, and an honest hard throw does; made by hand."""

import numpy as np
import pytest

from lashwave.estimate.forbidden import (
    energy_warnings,
    holding_until,
    in_rows,
    row_warnings,
    share_of_given,
    work,
    work_warnings,
)
from lashwave.quantities.errors import LostMotionError

TIME = np.linspace(0.0, 1.0, 101)
FALL = 3.0


def hard_throw(draws=200, spread=0.02, late=0.0):
    """Power (D, K) [W] and kinetic energy (D, K) [J] of a throw that puts 40 J in within 0.2 s and
    keeps nine tenths; the draws differ by a share `spread`, and by `late` [W] from 0.6 s on."""
    rng = np.random.default_rng(2)
    pulse = np.where((TIME >= 0.5) & (TIME < 0.7), 200.0, 0.0)
    power = pulse * (1.0 + spread * rng.standard_normal((draws, 1)))
    power = power + late * rng.standard_normal((draws, 1)) * (TIME >= 0.6)
    return power, np.broadcast_to(0.9 * np.maximum(work(TIME, pulse), 0.0), power.shape)


def test_work_is_the_integral_of_power():
    assert work(TIME, 2.0 * TIME)[-1] == pytest.approx(1.0, rel=1e-12)
    assert work(TIME, np.ones((3, 101))).shape == (3, 101)
    assert (work(TIME, np.ones(101))[:2] == [0.0, TIME[1]]).all()


def test_energy_is_held_against_all_that_was_given_so_far():
    # 1 W for 1 s, 2 J at the start and a fall that gives 3 J: 6 J at most, by hand
    share = share_of_given(TIME, np.linspace(2.0, 9.0, 101), np.ones(101), FALL)
    assert share[0] == pytest.approx(2.0 / 5.0) and share[-1] == pytest.approx(9.0 / 6.0)
    # work that the hand takes back later was given all the same; work to come was not
    back = share_of_given(TIME, np.full(101, 2.0), np.where(TIME < 0.5, 1.0, -9.0), FALL)
    assert back[-1] == pytest.approx(2.0 / 5.49, rel=1e-2)
    early = share_of_given(TIME, np.full(101, 2.0), np.where(TIME < 0.5, 0.0, 100.0), FALL)
    assert early[40] == pytest.approx(2.0 / 5.0)


def test_what_air_and_friction_took_was_given_too():
    # 2 W lost for 0.5 s beside 3 J held, of 5 J and 1 W for 1 s: 4 of 6 J at the end, by hand
    losing = np.where(TIME < 0.5, 2.0, 0.0)
    share = share_of_given(TIME, np.full(101, 3.0), np.ones(101), 2.0, losing)
    assert share[-1] == pytest.approx(4.0 / 6.0, rel=1e-2)
    assert share[0] == pytest.approx(3.0 / 5.0)


def test_a_motion_ends_before_most_draws_hold_more_than_was_given():
    # 1 J at the start, 1 W, a fall of 3 J: 4.9 J at most at 0.9 s; three of five draws jump to 6 J
    power, kinetic = np.ones((5, 101)), np.ones((5, 101))
    kinetic[:3, 90:] = 6.0
    assert holding_until(TIME, power, kinetic, FALL) == pytest.approx(0.90)
    kinetic[2, 90:] = 1.0  # two of five are not most
    assert holding_until(TIME, power, kinetic, FALL) == np.inf
    # a moment in the middle is no end, and a hand whose work is not known gives no limit
    kinetic[:, 40:50] = 6.0
    assert holding_until(TIME, power, kinetic, FALL) == np.inf
    kinetic[:, 90:] = 9.0
    assert holding_until(TIME, np.full_like(power, np.nan), kinetic, FALL) == np.inf


def test_rows_are_of_samples_seen_one_after_the_other():
    used = np.ones((20, 3), dtype=bool)
    used[3, 0] = False  # not seen: no part of a row, and no end of it
    against = np.zeros((20, 3), dtype=bool)
    against[[0, 1, 2, 4, 5], 0] = True  # five in a row
    against[[0, 1, 2, 3], 1] = True  # four
    against[15:, 2] = True  # up to the end
    rows = in_rows(against, used)
    assert np.flatnonzero(rows[:, 0]).tolist() == [0, 1, 2, 3, 4, 5]
    assert not rows[:, 1].any() and np.flatnonzero(rows[:, 2]).tolist() == [15, 16, 17, 18, 19]


def rows_of(*spans):
    """Rows (101, 5) of markers M0 to M4 against a motion: marker, first and last sample."""
    rows = np.zeros((101, 5), dtype=bool)
    for label, first, last in spans:
        rows[first : last + 1, label] = True
    return rows


NAMES = ("M0", "M1", "M2", "M3", "M4")


def test_a_motion_that_several_markers_contradict_to_the_end_is_lost_from_their_first():
    rows = rows_of((0, 70, 100), (1, 75, 100), (2, 80, 100), (4, 20, 30))
    with pytest.raises(
        LostMotionError, match=r"from 0\.700 to 1\.000 s .* M0, M1, M2: nothing"
    ) as told:
        row_warnings(TIME, rows, NAMES)
    assert told.value.since == pytest.approx(0.70) and "\n" not in str(told.value)


def test_a_motion_that_comes_back_is_warned_of_and_exchanged_labels_are_not():
    spans = ((0, 40, 60), (1, 45, 60), (2, 50, 60))
    (said,) = row_warnings(TIME, rows_of(*spans), NAMES)
    assert "0.400 to 0.600 s" in said and "wrong there" in said
    assert row_warnings(TIME, rows_of((0, 40, 100), (1, 40, 100)), NAMES) == ()


def test_one_track_that_the_motion_left_is_enough():
    rows, left = rows_of((0, 20, 30), (3, 60, 100)), rows_of((3, 60, 100))
    assert row_warnings(TIME, rows, NAMES, rows_of()) == ()
    with pytest.raises(LostMotionError, match=r"from 0\.600 to 1\.000 s .* M3: nothing"):
        row_warnings(TIME, rows, NAMES, left)


def test_a_motion_of_more_energy_than_was_given_is_refused_with_the_time():
    power, kinetic = np.ones(101), np.where(TIME < 0.4, 1.0, 20.0)
    share = share_of_given(TIME, kinetic, power, FALL)
    with pytest.raises(
        LostMotionError, match=r"4\.\d+ times the energy.* from 0\.400 s on"
    ) as told:
        energy_warnings(TIME, share, "most against it: M05")
    assert "M05" in str(told.value) and "\n" not in str(told.value)
    assert told.value.since == pytest.approx(0.4)


def test_a_motion_of_a_little_more_is_doubted_and_an_honest_one_is_not():
    (said,) = energy_warnings(TIME, np.where(TIME < 0.4, 0.5, 1.2))
    assert "1.20 times the energy" in said and "0.400 s" in said
    power, kinetic = hard_throw()
    assert energy_warnings(TIME, share_of_given(TIME, kinetic[0], power[0], FALL)) == ()


@pytest.mark.parametrize("spread", [0.0, 0.02, 0.1])
def test_a_hard_throw_whose_work_is_known_to_a_tenth_is_answered(spread):
    assert work_warnings(TIME, *hard_throw(spread=spread), FALL) == ()


def test_a_work_that_could_be_anything_is_refused_with_the_time():
    # the hand's power uncertain by 3 kW from 0.6 s on: +- 2,400 J at the end, of a throw of 36 J
    power, kinetic = hard_throw(late=3000.0)
    with pytest.raises(LostMotionError, match=r"from 0\.6\d\d s on nothing can be said") as told:
        work_warnings(TIME, power, kinetic, FALL, "lost markers of the grip")
    assert "lost markers of the grip" in str(told.value) and "J" in str(told.value)
    assert 0.6 <= told.value.since < 0.7


def test_a_work_that_is_poorly_known_is_said_to_be():
    # 95 % of it within +- 1.96 sd: a width of 3.9 x 0.4 x 40 J is 1.6 times 39 J
    (said,) = work_warnings(TIME, *hard_throw(spread=0.4), FALL)
    assert "work is known to" in said and "(95 %)" in said


def test_where_the_far_end_works_too_nothing_is_said():
    power, kinetic = hard_throw()
    assert work_warnings(TIME, np.full_like(power, np.nan), kinetic, FALL) == ()
