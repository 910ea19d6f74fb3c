"""Orders of events whose probabilities are known."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from lashwave.answers import crack, order
from lashwave.quantities.fit import FrontBirths
from lashwave.quantities.moments import SonicDraws
from lashwave.quantities.sightings import TuftWidths

STATION = np.linspace(0.0, 2.0, 21)


def test_two_normal_times_come_in_the_order_that_the_normal_law_says():
    random = np.random.default_rng(8)
    n = 20000
    found = {"tip_turns": random.normal(0, 1, n), "first_sonic": random.normal(1.0, 1, n)}
    table = order.order(found)
    # P(A < B) of normals = Phi(difference / sqrt(2)); four standard deviations of a share
    chance = norm.cdf(1 / np.sqrt(2))
    assert table.before[0, 1] == pytest.approx(chance, abs=4 * np.sqrt(0.25 / n))
    assert table.before[0, 1] + table.before[1, 0] == pytest.approx(1.0)
    assert table.likeliest == ("tip_turns", "first_sonic")
    assert table.probability == pytest.approx(table.before[0, 1])


def test_an_event_that_few_draws_have_stays_out_of_the_order():
    rare = np.full(100, np.nan)
    rare[:20] = -1.0
    found = {"first_sonic": rare, "peak_tip_speed": np.zeros(100), "full_extension": np.ones(100)}
    table = order.order(found)
    # what all of n draws have is above 1 - 3 / n: the rule of three
    assert table.happened == pytest.approx([0.2, 0.97, 0.97])
    assert table.before[0, 1] == pytest.approx(1 - 3 / 20)  # of the twenty
    assert table.likeliest == ("peak_tip_speed", "full_extension")
    answers = order.answers(replace(table))
    assert answers["probability_peak_speed_before_full_extension"].value == 0.97
    assert "first sonic" in answers["probability_sonic_before_full_extension"].reason


def test_equal_times_are_half_before_half_after():
    table = order.order({"tip_turns": np.zeros(4), "peak_tip_speed": np.zeros(4)})
    assert table.before[0, 1] == table.before[1, 0] == 0.5


def test_a_front_takes_part_where_one_was_seen():
    found = {"first_sonic": np.zeros(400), "full_extension": np.ones(400)}
    assert order.with_front(found, {}) is found
    never = FrontBirths(np.full(400, np.nan), np.full(400, np.nan))
    assert order.with_front(found, {"b": never}) is found
    half = FrontBirths(np.full(400, 0.5), np.zeros(400))
    every = order.with_front(found, {"a": half, "b": never})
    assert list(every) == ["first_sonic", "shock_born", "full_extension"]
    assert order.order(every).likeliest == ("first_sonic", "shock_born", "full_extension")


def test_the_birth_of_a_front_is_held_against_its_own_draw():
    # Motions late by 30 us (sd) or early; in each the tip turns 10 us before its front is born.
    random = np.random.default_rng(5)
    late = 30e-6 * random.standard_normal(400)
    found = {"tip_turns": 0.5 + late, "peak_tip_speed": 0.5 + late + 15e-6}
    every = order.with_front(found, {"a": FrontBirths(0.5 + late + 10e-6, np.zeros(400))})
    table = order.order(every)
    at = {name: k for k, name in enumerate(table.events)}
    assert table.before[at["tip_turns"], at["shock_born"]] >= 1 - 3 / 300
    assert table.before[at["shock_born"], at["peak_tip_speed"]] == 1 - 3 / 400
    # Drawn apart from the motion it would come first in Phi(-10 / (30 sqrt(2))) = 41 % of draws.
    apart = FrontBirths(random.permutation(every["shock_born"]), np.zeros(400))
    mixed = order.order(order.with_front(found, {"a": apart}))
    chance = norm.cdf(-10 / (30 * np.sqrt(2)))
    share = mixed.before[at["shock_born"], at["tip_turns"]]
    assert share == pytest.approx(chance, abs=4 * np.sqrt(0.25 / 400))


def test_a_front_that_tells_how_late_the_motion_is_moves_its_events_along():
    # The front fixes the birth; each draw of the motion was late by what the front takes back.
    late = 30e-6 * np.random.default_rng(6).standard_normal(300)
    found = {"tuft_together": np.full(300, 0.6), "tip_turns": 0.5 + late}
    births = FrontBirths(np.full(300, 0.5 + 10e-6), -late)
    every = order.with_front(found, {"a": births})
    assert every["tip_turns"] == pytest.approx(0.5, abs=1e-12)
    assert every["tuft_together"] == pytest.approx(0.6, abs=0)  # by the camera's clock
    table = order.order(every)
    at = {name: k for k, name in enumerate(table.events)}
    assert table.before[at["tip_turns"], at["shock_born"]] >= 1 - 3 / 300


def test_the_tip_turns_when_its_end_swings_round(imposed):
    # A rod whose rate of turning is largest at 0.31 s.
    time = np.linspace(0.0, 0.6, 1201)
    rate = 100.0 * np.exp(-(((time - 0.31) / 0.01) ** 2))
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
    draws = imposed.draws(time, STATION, *imposed.rod(time, STATION, angle, rate))
    assert order.tip_turns(draws, np.array([0.312]))[0] == pytest.approx(0.31, abs=5e-4)


def test_the_tuft_is_together_half_way_of_its_fall_on_the_cameras_clock(imposed):
    frame = np.arange(100, 200)
    width = np.interp(frame, [100, 140, 160, 200], [8e-3, 8e-3, 2e-3, 3e-3])
    camera = replace(imposed.trial().cameras[0], tuft=TuftWidths(frame, width, np.full(100, 1e-6)))
    time = np.linspace(0, 1, 11)
    still = np.zeros((3, 11, 21, 3))
    shared = {"clock_offset:tip-view": np.array([0.0, 1e-3, 2e-3])}
    draws = imposed.draws(time, STATION, still, still, shared=shared)
    found = order.tuft_together(camera, draws)
    # from 8 to 2 mm within frames 140 to 160: 5 mm at frame 150, at 20 kHz; the median over five
    # frames cuts the corner of the smallest by a frame's fall, and the middle by half of that
    assert found == pytest.approx(150 / 2e4 + np.array([0.0, 1e-3, 2e-3]), abs=0.5 / 2e4)
    assert order.tuft_together(imposed.trial().cameras[0], draws) is None


def test_the_tip_on_a_circle_is_driven_by_its_rate_squared_times_radius(imposed):
    # Huygens: w^2 r; averaged over 0.2 ms the chord of the velocity is shorter by sin(x) / x.
    rate = 200.0
    time = np.arange(0.0, 0.02, 5e-5)
    draws = imposed.draws(
        time, STATION, *imposed.rod(time, STATION, rate * time, np.full(time.size, rate))
    )
    found = crack.peak_acceleration(draws, np.array([0.01]))[0]
    assert found == pytest.approx(2.0 * rate**2, rel=2e-4)


def test_a_rod_stands_at_the_angle_that_it_was_given(imposed):
    time = np.array([0.0, 0.1, 0.2])
    angle = np.full(3, 0.4)
    draws = imposed.draws(time, STATION, *imposed.rod(time, STATION, angle, np.zeros(3)))
    down = np.array([0.0, 0.0, -9.81])
    assert crack.rise_at(draws, np.array([0.1]), down)[0] == pytest.approx(0.4, abs=1e-6)
    sonic = SonicDraws(*(np.array([v]) for v in (0.1, 2.0, 1.0)))
    hard = crack.peak_acceleration(draws, np.array([0.1]))
    answers = crack.shape_answers(sonic.time, crack.rise_at(draws, sonic.time, 0 * down), hard)
    assert answers["angle_at_sonic"].reason == "no gravity"
