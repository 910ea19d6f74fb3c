"""Speeds of imposed motions, which are known without any program."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from lashwave.answers import between_times, lists, tip
from lashwave.quantities.motion import interpolate

STATION = np.linspace(0.0, 2.0, 9)


def test_a_constant_velocity_is_read_as_it_is(imposed):
    time = np.array([0.0, 2e-3, 5e-3, 5.1e-3, 9e-3])
    velocity = np.broadcast_to(np.array([30.0, -40.0, 120.0]), (5, 9, 3)).copy()
    position = velocity * time[:, None, None] + STATION[None, :, None]
    found = tip.tip_draws(imposed.draws(time, STATION, position, velocity))
    speed = 130.0  # 30, 40, 120: a Pythagorean quadruple
    assert found.peak == pytest.approx(speed, rel=1e-12)
    assert found.over_span == pytest.approx(speed, rel=1e-10)


def test_a_rod_at_constant_rate_has_its_chord_over_the_span(imposed):
    # Euclid III: the chord of an arc w t of a circle of radius L is 2 L sin(w t / 2).
    rate = 2000.0
    time = np.arange(0.0, 0.02, 5e-5)
    position, velocity = imposed.rod(time, STATION, rate * time, np.full(time.size, rate))
    found = tip.tip_draws(imposed.draws(time, STATION, position, velocity))
    chord = 2 * 2.0 * np.sin(rate * 50e-6) / 100e-6
    # A Hermite of an arc of 0.1 rad has the place to 0.1^4 / 384 of the radius.
    tolerance = 4 * 2.0 * 0.1**4 / 384 / 100e-6
    assert found.over_span[0] == pytest.approx(chord, abs=tolerance)
    assert found.over_span[0] < 0.999 * found.peak[0]
    assert found.peak[0] == pytest.approx(2.0 * rate, rel=1e-5)


@pytest.mark.parametrize("top", [0.000, 0.0031, 0.0050, 0.0087])
def test_a_peak_between_grid_times_is_found(imposed, top):
    # Speed 300 - 4e6 (t - top)^2 is a quadratic in time, which the interpolation holds exactly.
    time = np.array([-2e-3, 0.0, 4e-3, 6e-3, 1e-2])
    speed = 300.0 - 4e6 * (time - top) ** 2
    place = 300.0 * time - 4e6 / 3 * (time - top) ** 3
    velocity = np.zeros((5, 9, 3))
    velocity[..., 1] = speed[:, None]
    position = np.zeros((5, 9, 3))
    position[..., 1] = place[:, None]
    draws = imposed.draws(time, STATION, position, velocity)
    found = tip.tip_draws(draws)
    step = 4e-3 / 64
    assert found.peak[0] == pytest.approx(300.0, abs=4e6 * (step / 2) ** 2)
    assert found.peak_time[0] == pytest.approx(top, abs=step / 2 + 1e-12)
    # Distance over a span h centred on the top: 300 - 4e6 h^2 / 12.
    assert found.over_span[0] == pytest.approx(300.0 - 4e6 * 1e-8 / 12, abs=4e6 * (step / 2) ** 2)
    anywhere = tip.peak_anywhere(draws, lists.speed_draws(draws), found.jitter)
    assert anywhere[0] == pytest.approx(found.peak[0], rel=1e-6)


def test_no_speed_exceeds_its_bound():
    random = np.random.default_rng(3)
    time = np.cumsum(random.uniform(1e-4, 2e-3, 60))
    position, velocity = random.normal(size=(60, 3)), 300 * random.normal(size=(60, 3))
    control = between_times.track_controls(time, position, velocity)
    inner = between_times.speeds(control)
    assert (inner.max(axis=1) <= between_times.bound(control) * (1 + 1e-12)).all()
    # The same speeds by the one rule of interpolation of the motion.
    at = between_times.fine_times(time, np.ones(59, dtype=bool))
    _, rule = interpolate(time, position, velocity, at)
    assert np.linalg.norm(rule, axis=1).max() == pytest.approx(inner.max(), rel=1e-9)


def test_the_fastest_station_may_not_be_the_tip(imposed):
    time = np.linspace(0.0, 0.01, 11)
    velocity = np.zeros((11, 9, 3))
    velocity[:, 4, 0] = 50.0
    position = velocity * time[:, None, None]
    draws = imposed.draws(time, STATION, position, velocity)
    assert tip.peak_anywhere(draws, lists.speed_draws(draws), np.ones(1))[0] == pytest.approx(
        50.0, rel=1e-6
    )
    assert tip.tip_draws(draws).peak[0] == 0.0


def test_a_record_shorter_than_the_span_has_no_such_speed(imposed):
    time = np.array([0.0, 5e-5])
    still = np.zeros((2, 9, 3))
    assert np.isnan(tip.tip_draws(imposed.draws(time, STATION, still, still)).over_span[0])


def test_jitter_does_not_make_the_tips_peak_faster(imposed):
    # a peak of 400 m/s, half as fast 0.35 ms away; draws that tremble by 8 m/s every 20 us and
    # differ by 6 m/s for good
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 8e-3, 20e-6)
    shape = 400.0 / (1.0 + ((time - 4e-3) / 3.5e-4) ** 2)
    scale = 1.0 + 6.0 / 400.0 * rng.standard_normal((200, 1))
    speed = scale * shape + 8.0 * rng.standard_normal((200, time.size))
    curve = CubicSpline(time, speed, axis=1)
    station = np.array([0.0, 1.0])
    position, velocity = (np.zeros((200, time.size, 2, 3)) for _ in range(2))
    position[:, :, 1, 0] = curve.antiderivative()(time)
    velocity[:, :, 1, 0] = speed
    draws = imposed.draws(time, station, position, velocity)
    found = tip.tip_draws(draws)
    # of two or three neighbours near the top, each with 8 m/s, the greatest: 5 to 8 m/s too fast
    assert np.median(found.peak * found.jitter) > 404.0
    assert np.median(found.peak) == pytest.approx(400.0, abs=2.0)
    assert 6.0 * 0.85 < found.peak.std() < np.hypot(6.0, 8.0)
    assert np.abs(found.peak_time - 4e-3).max() < 1e-4
    anywhere = tip.peak_anywhere(draws, lists.speed_draws(draws), found.jitter)
    assert anywhere == pytest.approx(found.peak, rel=1e-5)
