"""A rolling loop: the bend runs at the loop's speed, the line in it at twice that and less.

Check: material speed around a loop that rolls at c along a line at rest is 2 c sin(theta / 2),
theta the turn from the resting arm; the free arm moves at 2 c. The factor two is that of
Goriely and McMillen, Phys. Rev. Lett. 88 (2002) 244301, and of the top of any rolling wheel.
"""

import numpy as np
import pytest

from lashwave.answers import bend, lists
from tests.published.record import derived

LOOP = derived(
    "a loop that rolls at c, 2 c sin(angle / 2); the factor 2, Goriely and McMillen 2002"
)

RADIUS, SPEED = 0.05, 60.0
START = 0.6013  # no station stands at an end of the loop at any time
STATION = np.linspace(0.0, 2.5, 501)
TIME = np.linspace(0.0, 0.015, 121)


def loop(time):
    """Places (K, S, 3): a resting arm along x, half a circle up and back, an arm that flies."""
    start = START + SPEED * time[:, None]
    turn = np.clip((STATION - start) / RADIUS, 0.0, np.pi)
    behind = np.minimum(STATION, start) - np.maximum(STATION - start - np.pi * RADIUS, 0.0)
    x = behind + RADIUS * np.sin(turn)
    z = RADIUS * (1.0 - np.cos(turn))
    return np.stack([x, np.zeros_like(x), z], axis=-1), turn


@pytest.fixture
def rolling(imposed):
    tick = 1e-7
    position, turn = loop(TIME)
    velocity = (loop(TIME + tick)[0] - loop(TIME - tick)[0]) / (2 * tick)
    return imposed.draws(TIME, STATION, position, velocity), turn


def middle():
    return START + SPEED * TIME + 0.5 * np.pi * RADIUS


def test_the_bend_is_the_middle_of_the_loop_and_runs_at_its_speed(rolling):
    draws, _ = rolling
    found = bend.bends_of(draws, grip_end=0.2)
    # The loop is symmetric, so its chords turn most about its middle; the line is cut every 5 mm.
    assert found.station[0] == pytest.approx(middle(), abs=1e-3)
    assert found.turn[0].min() > 0.8 * np.pi
    known = found.speed[0][np.isfinite(found.speed[0])]
    assert known.size == TIME.size - 2 * bend.HALF_WINDOW
    assert known == pytest.approx(SPEED, rel=0.02)
    assert known.mean() == pytest.approx(SPEED, rel=1e-3)


@pytest.mark.parametrize("every", [1, 2, 4, 8, 16])
def test_the_bend_does_not_depend_on_the_grid(imposed, every):
    # From 5 to 80 mm between stations, half of the loop's own length: curvature would be 20 / m or
    # a tenth of it; the station moves by under a fifth of the spacing, or 2 mm.
    position, _ = loop(TIME)
    coarse = position[:, ::every]
    found = bend.bends_of(imposed.draws(TIME, STATION[::every], coarse, 0.0 * coarse), 0.2)
    off = np.abs(found.station[0] - middle())
    assert off.max() < max(2e-3, 0.2 * STATION[every])


def test_the_clamp_is_no_bend_and_a_loop_is_seen_until_it_leaves_the_tip(imposed):
    # The line hangs from a clamp that points up: a turn of pi within a millimetre of the grip.
    time = np.linspace(0.0, 0.033, 67)
    stretch = START + SPEED * time[:, None]
    turn = np.clip((STATION - stretch) / RADIUS, 0.0, np.pi)
    slope = np.stack([np.cos(turn), 0.0 * turn, np.sin(turn)], axis=-1)
    slope[:, STATION < 0.2] = [-1.0, 0.0, 0.0]
    step = STATION[1]
    place = np.concatenate([np.zeros((67, 1, 3)), np.cumsum(slope[:, :-1], axis=1) * step], axis=1)
    found = bend.bends_of(imposed.draws(time, STATION, place, 0.0 * place), 0.2)
    true = START + SPEED * time + 0.5 * np.pi * RADIUS
    seen = true < STATION[-1] - 0.05 * 2.5  # its last half has left the line
    assert seen.sum() > 50
    assert np.abs(found.station[0] - true)[seen].max() < 0.015 * 2.5


def test_noise_does_not_throw_the_bend_about_the_loop(imposed):
    # The loop is 157 mm long and bends alike all round: its sharpest station may be any of them.
    position, _ = loop(TIME)
    coarse = position[:, ::4]
    noise = 1e-3 * np.random.default_rng(6).standard_normal(coarse.shape)
    found = bend.bends_of(imposed.draws(TIME, STATION[::4], coarse + noise, 0.0 * coarse), 0.2)
    assert np.abs(found.station[0] - middle()).max() < 0.5 * STATION[4]


def test_a_bend_of_stated_size_is_found_where_it_is(imposed):
    # A kink by 100 degrees at 1.5 m, out of any plane of the lab's axes.
    u, v = np.array([1.0, 2.0, 2.0]) / 3.0, np.array([2.0, 1.0, -2.0]) / 3.0
    angle = np.radians(100.0)
    ahead = np.cos(angle) * u + np.sin(angle) * v
    place = np.minimum(STATION, 1.5)[:, None] * u + np.maximum(STATION - 1.5, 0.0)[:, None] * ahead
    found = bend.bends_of(imposed.draws(np.zeros(1), STATION, place[None], 0.0 * place[None]), 0.2)
    assert found.turn[0, 0] == pytest.approx(angle, abs=1e-2)
    assert found.station[0, 0] == pytest.approx(1.5, abs=0.005)
    at, arm = np.array([1.5]), np.array([0.3])
    assert bend.turn_at(STATION, place[None], at, arm)[0] == pytest.approx(angle, abs=1e-9)
    assert np.isnan(bend.turn_at(STATION, place[None], np.array([np.nan]), arm)[0])


def test_the_line_in_the_loop_moves_at_the_published_speed(rolling, check):
    draws, turn = rolling
    speed = lists.speed_draws(draws)[0]
    law = 2.0 * SPEED * np.sin(turn / 2.0)
    check("speed in a rolling loop over its apex's", speed / (2 * SPEED), law / (2 * SPEED), LOOP,
          abs=1e-3)  # fmt: skip
    check("apex of a rolling loop over the loop's speed", speed.max() / SPEED, 2.0, LOOP, rel=1e-6)


def test_a_straight_line_has_no_bend(imposed):
    time = np.linspace(0.0, 0.02, 21)
    position, velocity = imposed.rod(time, STATION, time, np.ones(21))
    found = bend.bends_of(imposed.draws(time, STATION, position, velocity), 0.2)
    assert np.isnan(found.station).all() and np.isnan(found.speed).all()
    assert np.abs(found.turn).max() < 1e-6


def test_a_bend_that_jumps_has_no_speed_there():
    station = np.concatenate([np.linspace(0.5, 0.6, 10), np.linspace(1.5, 1.6, 10)])[None]
    speed = bend.running(np.arange(20) * 1e-3, station, jump=0.2)[0]
    assert np.isnan(speed[6:14]).all()
    assert speed[4:6] == pytest.approx(100.0 / 9.0)
