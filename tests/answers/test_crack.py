"""The sonic moment and the full extension of imposed motions, and moments that fall apart."""

import numpy as np
import pytest

from lashwave.answers import crack, lists
from lashwave.quantities.moments import SonicDraws

STATION = np.linspace(0.0, 2.0, 21)
SOUND = 343.2


def spun_up(imposed, acceleration, time):
    """Draws of rods that turn at acceleration * time: tip speed 2 m * acceleration * time."""
    motions = [
        imposed.rod(time, STATION, 0.5 * a * time**2, a * time) for a in np.atleast_1d(acceleration)
    ]
    return imposed.draws(time, STATION, *(np.stack(part) for part in zip(*motions, strict=True)))


def ask(draws, sound=SOUND):
    count = draws.position.shape[0]
    return crack.sonic_draws(draws, lists.speed_draws(draws), np.full(count, sound), 2.0)


def test_a_spun_up_rod_is_sonic_when_its_tip_is(imposed):
    time = np.arange(0.0, 0.1, 1e-4)
    found = ask(spun_up(imposed, [2000.0, 2500.0], time))
    # 2 m * a * t = c; the Hermite of a turn of 17 mrad a step is right to 1e-9 of the speed.
    assert found.time == pytest.approx(SOUND / 2.0 / np.array([2000.0, 2500.0]), abs=1e-8)
    assert (found.station == 2.0).all()
    assert found.extension == pytest.approx(1.0, abs=1e-8)


def test_a_touch_between_grid_times_is_not_missed(imposed):
    # Speed c + 2 - 4e6 (t - top)^2 m/s is over c for 0.71 ms to either side of the top only.
    time, top = np.array([0.0, 4e-3, 8e-3]), 6e-3
    velocity, position = np.zeros((3, 21, 3)), np.zeros((3, 21, 3))
    position[:, :, 0] = STATION
    velocity[..., 2] = (SOUND + 2.0 - 4e6 * (time - top) ** 2)[:, None]
    position[..., 2] = ((SOUND + 2.0) * time - 4e6 / 3 * (time - top) ** 3)[:, None]
    found = ask(imposed.draws(time, STATION, position, velocity))
    assert found.time[0] == pytest.approx(top - np.sqrt(2.0 / 4e6), abs=1e-6)


def test_the_first_of_two_crossings_is_given(imposed):
    # Over the speed of sound for a moment between grid times, then for good: 300 to 400 m/s.
    time = np.array([0.0, 4e-3, 8e-3, 12e-3, 16e-3])
    speed = np.array([300.0, 300.0, 300.0, 300.0, 400.0])
    step = np.array([4e-3 * 300.0, 4e-3 * 340.0, 4e-3 * 300.0, 4e-3 * 350.0])
    position, velocity = np.zeros((5, 21, 3)), np.zeros((5, 21, 3))
    position[..., 2] = np.concatenate([[0.0], np.cumsum(step)])[:, None]
    velocity[..., 2] = speed[:, None]
    found = ask(imposed.draws(time, STATION, position, velocity))
    # Mean 340 of a parabola with ends 300: 300 + 240 x (1 - x) = c at x = 0.2357.
    x = 0.5 - np.sqrt(0.25 - (SOUND - 300.0) / 240.0)
    assert found.time[0] == pytest.approx(4e-3 * (1.0 + x), abs=1e-6)


def test_a_line_that_stays_slower_has_no_sonic_moment(imposed):
    time = np.arange(0.0, 0.05, 1e-4)
    draws = spun_up(imposed, np.full(20, 1000.0), time)  # 100 m/s at the end
    answers, warnings = crack.sonic_answers(ask(draws))
    assert {a.value for a in answers.values()} == {None}
    assert answers["sonic_time"].probability == 3 / 20  # the rule of three
    assert "probability of under 0.15" in answers["sonic_time"].reason
    assert warnings == []


@pytest.mark.parametrize("sonic_share, given", [(0.4, False), (0.6, True)])
def test_the_sonic_time_is_given_from_one_half_on(imposed, sonic_share, given):
    time = np.arange(0.0, 0.1, 2e-4)
    fast = int(100 * sonic_share)
    draws = spun_up(imposed, [2000.0] * fast + [1500.0] * (100 - fast), time)  # to 400, 300 m/s
    answers, warnings = crack.sonic_answers(ask(draws))
    assert answers["sonic_time"].probability == pytest.approx(sonic_share)
    assert (answers["sonic_time"].value is not None) is given
    assert len(warnings) == 1 and f"{sonic_share:.2f}" in warnings[0]


def test_two_moments_are_named_and_the_more_probable_is_given():
    random = np.random.default_rng(5)
    early = 0.6120 + 20e-6 * random.standard_normal(70)
    late = 0.6128 + 30e-6 * random.standard_normal(30)
    time = random.permutation(np.concatenate([early, late]))
    station = np.where(time < 0.6124, 2.31, 2.40)
    answers, warnings = crack.sonic_answers(SonicDraws(time, station, station / 2.5))
    assert answers["sonic_time"].value == pytest.approx(0.6120, abs=3 * 20e-6 / np.sqrt(70))
    assert answers["sonic_time"].high95 < 0.6122
    assert answers["sonic_station"].value == 2.31
    assert "612." in warnings[0] and "probability 0.70" in warnings[0]
    assert "probability 0.30" in warnings[0]


@pytest.mark.parametrize("shape", ["normal", "exponential", "uniform"])
def test_one_moment_is_hardly_ever_taken_for_two(shape):
    random = np.random.default_rng(11)
    samples = 1e-3 * getattr(random, shape)(size=(500, 120))
    split = sum(len(crack.groups(sample)) > 1 for sample in samples)
    assert split <= 2  # of 500


@pytest.mark.parametrize("share, found", [(0.5, 2), (0.1, 2), (0.02, 1)])
def test_two_moments_are_told_apart_unless_one_is_rare(share, found):
    random = np.random.default_rng(7)
    for _ in range(50):
        few = round(100 * share)
        scatter = 40e-6 * random.standard_normal(100)
        assert len(crack.groups(scatter + np.where(np.arange(100) < few, 5e-4, 0.0))) == found


def test_moments_closer_than_any_clock_can_tell_stay_one():
    assert len(crack.groups(np.repeat([0.0, 40e-6], 50))) == 1
    assert len(crack.groups(np.repeat([0.0, 60e-6], 50))) == 2
