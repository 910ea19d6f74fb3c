"""The hand's pull, impulse and work of cases that a textbook settles."""

import numpy as np
import pytest

from lashwave.answers import energy, momentum

STATION = np.array([0.0, 0.2, 0.5, 1.0])
TIME = np.array([0.0, 0.1, 0.15, 0.4, 1.0])
STILL = np.zeros((5, 4, 3))


def test_a_hand_that_holds_a_line_still_gives_the_impulse_of_its_weight(imposed):
    # Newton: impulse = weight * time, though nothing moves. 20 g for 1 s.
    force = np.broadcast_to([0.0, 0.0, 0.02 * 9.80665], (1, 5, 3))
    draws = imposed.draws(TIME, STATION, STILL, STILL, hand_force=force)
    assert momentum.hand_impulse(draws)[0] == pytest.approx(0.1961330, rel=1e-9)


def test_impulse_is_a_vector_sum_not_a_sum_of_sizes(imposed):
    time = np.linspace(0.0, 1.0, 2001)
    turn = 2 * np.pi * time
    force = np.stack([np.cos(turn), np.sin(turn), 0.3 * np.ones_like(turn)], axis=-1)[None]
    still = np.zeros((2001, 4, 3))
    draws = imposed.draws(time, STATION, still, still, hand_force=force)
    assert momentum.hand_impulse(draws)[0] == pytest.approx(0.3, rel=1e-9)


def test_work_is_the_integral_of_power_and_grows_to_it(imposed):
    # work 1 J in 1 s; a trapezoid holds a straight line exactly
    power = np.broadcast_to(2.0 * TIME, (400, TIME.size))
    draws = imposed.draws(TIME, STATION, STILL, STILL, hand_power=power)
    assert energy.work_so_far(draws)[0] == pytest.approx(TIME**2, rel=1e-12)
    # what is known of its fault is added: the deviation as stated, of 400 draws to 5 of its own sd
    work = energy.hand_work(draws)
    assert work.mean() == pytest.approx(1.0, abs=5 * energy.WORK_DOUBT / 20)
    assert work.std() == pytest.approx(energy.WORK_DOUBT, rel=5 / np.sqrt(800))


def test_the_pull_is_read_at_the_end_of_the_grip(imposed):
    def read(tension, grip_end):
        every = np.broadcast_to(tension, (1, 5, 4))
        draws = imposed.draws(TIME, STATION, STILL, STILL, tension=every)
        return momentum.grip_tension(draws, grip_end)

    # a mean over time of what stays the same: only rounding
    for pull, end, expected in (
        ([np.nan, 7.0, 5.0, 3.0], 0.2, 7.0),
        ([9.0, 7.0, 5.0, 3.0], 0.2, 7.0),
        ([9.0, 7.0, 5.0, 3.0], 0.0, 9.0),
        ([np.nan, np.nan, 5.0, 3.0], 0.2, 5.0),
    ):
        np.testing.assert_allclose(read(pull, end), expected, rtol=1e-12)
    unknown = imposed.draws(TIME, STATION, STILL, STILL, tension=np.full((1, 5, 4), np.nan))
    assert np.isnan(momentum.grip_tension(unknown, 0.2)).all()


def test_the_peak_pull_looks_no_further_than_the_tips_peak():
    pull = np.array([[1.0, 4.0, 2.0, 9.0, 30.0]])
    assert momentum.peak_until(TIME, pull, np.array([0.12]))[0] == 4.0
    # Half way from 0.15 s (2 N) to 0.4 s (9 N).
    assert momentum.peak_until(TIME, pull, np.array([0.275]))[0] == pytest.approx(5.5)


def test_the_peak_kinetic_energy_lies_between_grid_times(imposed):
    value = 5.0 - 3.0 * (TIME - 0.3) ** 2
    draws = imposed.draws(TIME, STATION, STILL, STILL, kinetic_energy=value[None])
    assert energy.peak_kinetic_energy(draws)[0] == pytest.approx(5.0, rel=1e-12)
    rising = imposed.draws(TIME, STATION, STILL, STILL, kinetic_energy=TIME[None])
    assert energy.peak_kinetic_energy(rising)[0] == 1.0


def test_a_pull_is_averaged_over_its_span():
    time = np.linspace(0.0, 1.0, 1001)
    ramp = momentum.mean_over(time, (3.0 * time)[None], 4e-3)[0]
    np.testing.assert_allclose(ramp[5:-5], 3.0 * time[5:-5], rtol=1e-9)
    spike = np.where(np.abs(time - 0.5) < 1e-9, 1.0, 0.0)[None]
    # a triangle of height 1 and base 2 ms within the 4 ms
    assert momentum.mean_over(time, spike, 4e-3).max() == pytest.approx(0.25, rel=1e-9)
