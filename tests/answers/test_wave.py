"""A rolling loop: the front runs at the loop's speed, the line in it at twice that and less.

Check: material speed around a loop that rolls at c along a line at rest is 2 c sin(theta / 2),
theta the turn from the resting arm; the free arm moves at 2 c. The factor two is that of
Goriely and McMillen, Phys. Rev. Lett. 88 (2002) 244301, and of the top of any rolling wheel.
"""

import numpy as np
import pytest

from lashwave.answers import lists, wave
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


def test_the_front_is_the_middle_of_the_loop_and_runs_at_its_speed(rolling):
    draws, _ = rolling
    front = wave.ask(draws, grip_end=0.2)
    middle = START + SPEED * TIME + 0.5 * np.pi * RADIUS
    spacing = STATION[1]
    assert front.station[0] == pytest.approx(middle, abs=spacing)
    known = front.speed[0][np.isfinite(front.speed[0])]
    assert known.size == TIME.size - 2 * wave.HALF_WINDOW
    # Stations jitter by under a spacing, 5 mm, over a window of 8 steps of 7.5 mm.
    assert known == pytest.approx(SPEED, rel=0.05)
    assert known.mean() == pytest.approx(SPEED, rel=1e-3)


def test_noise_does_not_throw_the_front_about_the_loop(imposed):
    # The loop is 157 mm long and bends alike all round: its sharpest station may be any of them.
    position, _ = loop(TIME)
    coarse = position[:, ::4]
    noise = 1e-4 * np.random.default_rng(6).standard_normal(coarse.shape)
    front = wave.ask(imposed.draws(TIME, STATION[::4], coarse + noise, 0.0 * coarse), 0.2)
    middle = START + SPEED * TIME + 0.5 * np.pi * RADIUS
    assert np.abs(front.station[0] - middle).max() < STATION[4]


def test_the_line_in_the_loop_moves_at_the_published_speed(rolling, check):
    draws, turn = rolling
    speed = lists.speed_draws(draws)[0]
    law = 2.0 * SPEED * np.sin(turn / 2.0)
    check("speed in a rolling loop over its apex's", speed / (2 * SPEED), law / (2 * SPEED), LOOP,
          abs=1e-3)  # fmt: skip
    check("apex of a rolling loop over the loop's speed", speed.max() / SPEED, 2.0, LOOP, rel=1e-6)


def test_a_straight_line_has_no_front(imposed):
    time = np.linspace(0.0, 0.02, 21)
    position, velocity = imposed.rod(time, STATION, time, np.ones(21))
    assert np.isnan(wave.ask(imposed.draws(time, STATION, position, velocity), 0.2).station).all()


def test_a_front_that_jumps_has_no_speed_there():
    station = np.concatenate([np.linspace(0.5, 0.6, 10), np.linspace(1.5, 1.6, 10)])[None]
    speed = wave.front_speed(np.arange(20) * 1e-3, station, jump=0.2)[0]
    assert np.isnan(speed[6:14]).all()
    assert speed[4:6] == pytest.approx(100.0 / 9.0)


def test_curvature_of_a_circle_is_one_over_its_radius():
    angle = STATION / 0.7
    circle = 0.7 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=-1)[None]
    bend = wave.curvature(STATION, circle)[0]
    assert np.isnan(bend[[0, -1]]).all()
    assert bend[1:-1] == pytest.approx(1 / 0.7, rel=1e-4)
