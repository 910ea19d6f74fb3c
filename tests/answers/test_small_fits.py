"""All answers of a small fit, and the crack's of random motions, against what their names say.

A handful of draws on a few times and stations: quantiles are SciPy's, moments are found by looking
at every station on a fine grid of times.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, interp1d

from lashwave.answers import account, all, between_times, crack, lists, order, tip
from lashwave.answers.register import entry
from lashwave.quantities.moments import SonicDraws
from lashwave.quantities.motion import interpolate
from lashwave.quantities.sightings import Camera, Clock, TuftWidths

STATION = np.array([0.0, 0.2, 0.6, 1.0, 1.5, 2.0])
TIME = np.linspace(0.0, 0.2, 21)


def swings(imposed, count=12, tension=True, speed=12.0, **given):
    """Rods that swing at some m/s, their hand's force and power at random about a curve."""
    rng = np.random.default_rng(1)
    motions = []
    for scale in 1.0 + 0.02 * rng.standard_normal(count):
        angle = 0.3 * np.sin(20 * TIME) * scale * speed / 12
        motions.append(
            imposed.rod(TIME, STATION, angle, 6.0 * np.cos(20 * TIME) * scale * speed / 12)
        )
    position, velocity = (np.stack(part) for part in zip(*motions, strict=True))
    known = rng.uniform(5.0, 9.0, (count, 21, 6)) if tension else np.full((count, 21, 6), np.nan)
    fields = {
        "tension": known, "hand_force": rng.normal(size=(count, 21, 3)),
        "hand_power": 2.0 + rng.normal(size=(count, 21)),
        "kinetic_energy": 0.5 + rng.uniform(0.0, 0.1, (count, 21)),
        "shared": {"damping_time": rng.uniform(0.5, 1.5, count)},
    }  # fmt: skip
    return imposed.draws(TIME, STATION, position, velocity, **(fields | given))


def quantiles(values):
    """Of the law whose k-th of D draws stands at k / (D + 1), straight on past the outermost."""
    place = np.arange(1, len(values) + 1) / (len(values) + 1)
    return interp1d(place, np.sort(values, axis=0), axis=0, fill_value="extrapolate")(
        [0.025, 0.5, 0.975]
    )


def test_every_list_is_the_band_of_its_draws(imposed):
    draws = swings(imposed)
    _, found, said = all.answer(imposed.trial(), imposed.fit(draws))
    speed = np.linalg.norm(draws.velocity, axis=-1)
    sound = 343.987  # Cramer 1993 at 20 degC and half humidity
    expected = {
        "tip_speed": speed[:, :, -1], "speed": speed, "tip_mach": speed[:, :, -1] / sound,
        "kinetic_energy": draws.kinetic_energy, "hand_power": draws.hand_power,
        "hand_force": np.linalg.norm(draws.hand_force, axis=-1),
    }  # fmt: skip
    for name, values in expected.items():
        for end, edge in zip(("_low", "", "_high"), quantiles(values), strict=True):
            np.testing.assert_allclose(found[name + end], edge, rtol=2e-4, err_msg=name + end)
        assert found[name].attrs["units"] == entry(name).unit
        assert found[name].attrs["long_name"]
        assert "2.5 %" in found[name + "_low"].attrs["long_name"]
        assert "97.5 %" in found[name + "_high"].attrs["long_name"]
    np.testing.assert_allclose(found["mach"], np.median(speed, axis=0) / sound, rtol=1e-4)
    assert "mach_low" not in found
    np.testing.assert_array_equal(found.time, TIME)
    np.testing.assert_array_equal(found.station, STATION)
    assert any("only 12 draws" in text for text in said)


def test_what_nobody_knows_is_no_list_and_no_answer(imposed):
    """Without the hand's power its force may be known, and without a tension its force too."""
    draws = swings(imposed, tension=False, hand_power=np.full((12, 21), np.nan))
    answers, found, _ = all.answer(imposed.trial(), imposed.fit(draws))
    assert "hand_power" not in found and "hand_work" not in found and "hand_force" in found
    for name in ("peak_grip_tension", "peak_pull_past_clamp"):
        assert answers[name].value is None and "no tension" in answers[name].reason
    assert answers["hand_work"].value is None and "held too" in answers["hand_work"].reason
    assert answers["hand_impulse"].value is not None
    known, _, _ = all.answer(imposed.trial(), imposed.fit(swings(imposed)))
    assert 4.0 < known["peak_grip_tension"].value < 11.0
    assert known["hand_work"].value == pytest.approx(0.4, abs=0.1)
    assert known["peak_kinetic_energy"].value == pytest.approx(0.6, abs=0.05)
    rate = 6.0 * 2.0
    assert known["peak_tip_speed"].value == pytest.approx(rate, rel=0.03)
    assert known["peak_tip_mach"].value == pytest.approx(rate / 343.987, rel=0.03)
    assert known["peak_speed"].value == pytest.approx(known["peak_tip_speed"].value, rel=1e-3)
    assert known["sonic_time"].value is None


@pytest.mark.parametrize("speed", [12.0, 60.0])
def test_the_account_of_every_draw_is_whole(imposed, speed):
    """Work = stored + lost + unexplained at every time, damping as the balance draws it; of a slow
    line all draws lose alike, of a fast one each has its own."""
    trial = imposed.trial()
    trial = replace(trial, line=replace(trial.line, bending_stiffness=np.array([1e-2, 1e-3])))
    draws = swings(imposed, 40, speed=speed)
    wobble = np.random.default_rng(4).normal(0.0, 1.0, (40, 1, 6, 3))
    wobble[:, :, :2] = 0.0
    draws = replace(draws, velocity=draws.velocity + 0.5 * wobble)
    found = account.accounts_of(trial, draws)
    stored = found.kinetic + found.potential + found.bending
    left = found.hand_work - (stored - stored[:, :1]) - found.drag - found.tuft - found.damping
    np.testing.assert_allclose(found.unexplained, left, atol=1e-9)
    assert found.kinetic.shape == (40, 21) and (found.damping[:, -1] > 0.0).all()
    # scaled to the kinetic energy that each draw states, at its greatest
    top = draws.kinetic_energy.argmax(axis=1)
    np.testing.assert_allclose(
        found.kinetic[np.arange(40), top], draws.kinetic_energy[np.arange(40), top], rtol=1e-9
    )
    plain = account.accounts_of(trial, replace(draws, shared={}))
    pace = plain.damping / plain.damping[:, -1:]
    same = np.ptp(plain.damping, axis=0).max() < 1e-9 * plain.damping.max()
    assert same == (speed < 45.0)
    if same:
        np.testing.assert_allclose(found.damping / found.damping[:, -1:], pace, rtol=1e-9)
    np.testing.assert_allclose(found.flux_station, STATION[1:])
    assert found.momentum_flux.shape == (40, 21, 5, 3)


def test_no_more_than_thirty_two_stations_have_fluxes(imposed):
    trial = imposed.trial()
    station = np.concatenate([[0.0], np.linspace(0.2, 2.0, 70)])
    position, velocity = imposed.rod(TIME[:4], station, TIME[:4], np.ones(4))
    found = account.accounts_of(trial, imposed.draws(TIME[:4], station, position, velocity))
    assert 16 < found.flux_station.size <= 32
    assert found.flux_station[0] == pytest.approx(0.2)
    np.testing.assert_allclose(np.diff(found.flux_station), 3 * np.diff(station)[1])


def test_the_chain_of_a_trial_has_its_markers_and_its_law_its_scales(imposed):
    trial = imposed.trial()
    markers = replace(trial.markers, mass=3e-4, diameter=5e-3)
    chain = account.chain_of(replace(trial, markers=markers), STATION)
    assert chain.node_mass.sum() == pytest.approx(2.0 * 0.01 + 3e-4)
    assert chain.bluff_area.sum() == pytest.approx(0.47 * np.pi / 4 * 25e-6)
    draws = swings(imposed, 3, shared={"drag_normal": np.array([0.9, 1.1, 1.3])})
    law = account.law_of(draws, 1)
    assert (law.drag_normal, law.drag_tangential, law.damping_time) == (1.1, 1.0, 2e-3)


def smooth_motion(rng, count=1, fast=330.0):
    """Positions and velocities (D, K, S, 3) of velocities that are slow waves of time."""
    time = np.linspace(0.0, 0.02, 21)
    time[1:-1] += 3e-4 * rng.uniform(-1.0, 1.0, 19)
    wave = np.stack([np.cos(f * time + rng.uniform(0, 6)) for f in (0.0, 150.0, 400.0)], axis=-1)
    way = np.einsum(
        "kf,dfsc->dksc", wave, rng.standard_normal((count, 3, 4, 3)) + np.array([1.0, 0, 0])
    )
    swell = 1.0 + 0.1 * np.cos(500.0 * time + rng.uniform(0, 6, (count, 1)))
    velocity = fast * way / np.abs(way).max() * swell[..., None, None]
    velocity *= np.array([0.3, 0.7, 1.0, 1.0])[:, None]
    position = CubicSpline(time, velocity, axis=1).antiderivative()(time)
    return time, np.array([0.0, 0.5, 1.0, 1.2]), position, velocity


@pytest.mark.parametrize("seed", range(6))
def test_the_first_sonic_moment_is_the_first_of_all_stations(imposed, seed):
    rng = np.random.default_rng(seed)
    time, station, position, velocity = smooth_motion(rng, 3)
    draws = imposed.draws(time, station, position, velocity)
    sound = np.array([300.0, 320.0, 900.0])
    found = crack.sonic_draws(draws, lists.speed_draws(draws), sound, 1.2)
    fine = np.unique(
        np.concatenate([np.linspace(a, b, 801) for a, b in zip(time, time[1:], strict=False)])
    )
    for d in range(2):
        place, rate = interpolate(time, position[d], velocity[d], fine)
        over = np.linalg.norm(rate, axis=-1) >= sound[d]
        if not over.any():
            assert np.isnan(found.time[d])
            continue
        k = int(over.any(axis=1).argmax())
        assert found.time[d] == pytest.approx(fine[k], abs=2 * np.diff(fine).max())
        assert over[min(k + 3, fine.size - 1), int(np.abs(station - found.station[d]).argmin())]
        span = np.linalg.norm(place[k, -1] - place[k, 0]) / 1.2
        assert found.extension[d] == pytest.approx(span, abs=0.02)
    assert np.isnan([found.time[2], found.station[2], found.extension[2]]).all()


@pytest.mark.parametrize("seed", range(4))
def test_greatest_speeds_are_those_of_a_fine_look(imposed, seed):
    rng = np.random.default_rng(10 + seed)
    time, station, position, velocity = smooth_motion(rng, 2, 100.0)
    draws = imposed.draws(time, station, position, velocity)
    asked = tip.tip_draws(draws)
    anywhere = tip.peak_anywhere(draws, lists.speed_draws(draws), asked.jitter)
    pieces = [np.linspace(a, b, 801) for a, b in zip(time, time[1:], strict=False)]
    fine = np.unique(np.concatenate(pieces))
    for d in range(2):
        _, rate = interpolate(time, position[d], velocity[d], fine)
        speed = np.linalg.norm(rate, axis=-1)
        assert asked.peak[d] == pytest.approx(speed[:, -1].max(), rel=1e-4)
        assert asked.jitter[d] == 1.0  # two draws have no spread to smooth by
        at = np.interp(asked.peak_time[d], fine, speed[:, -1])
        assert at == pytest.approx(speed[:, -1].max(), rel=1e-3)
        assert anywhere[d] == pytest.approx(speed.max(), rel=1e-4)
        start = np.linspace(time[0], time[-1] - 1e-4, 20001)
        ends = [
            interpolate(time, position[d, :, -1], velocity[d, :, -1], start + h)[0]
            for h in (0, 1e-4)
        ]
        chord = np.linalg.norm(ends[1] - ends[0], axis=-1).max() / 1e-4
        assert asked.over_span[d] == pytest.approx(chord, rel=1e-4)


def test_a_tip_that_speeds_up_to_the_end_goes_farthest_there(imposed):
    """V = 100 + 3e7 t^2: over the last 100 us, by its integral."""
    time = np.array([0.0, 4e-4, 9e-4, 1.3e-3, 1.57e-3])
    velocity, position = np.zeros((2, 5, 2, 3))
    velocity[..., 0], position[..., 0] = (
        (f(time))[:, None] for f in (lambda t: 100 + 3e7 * t**2, lambda t: 100 * t + 1e7 * t**3)
    )
    found = tip.tip_draws(imposed.draws(time, np.array([0.0, 1.0]), position, velocity))
    moved = 100 * 1e-4 + 1e7 * (1.57e-3**3 - 1.47e-3**3)
    assert found.over_span[0] == pytest.approx(moved / 1e-4, rel=1e-6)


def test_times_of_a_fine_look_divide_the_intervals_wanted():
    times = np.array([0.0, 1.0, 3.0, 4.0])
    found = between_times.fine_times(times, np.array([True, False, True]))
    np.testing.assert_allclose(found, np.concatenate([np.arange(65) / 64, 3 + np.arange(65) / 64]))


def test_few_moments_apart_are_a_tail():
    """Of 20 draws two that stand apart are none of their own, three are."""
    times = np.linspace(0.0, 1e-4, 20)
    for few, groups in ((2, 1), (3, 2)):
        moved = times.copy()
        moved[:few] -= 1e-2
        found = crack.groups(moved)
        assert len(found) == groups
        assert sorted(np.concatenate(found).tolist()) == list(range(20))
        assert found[0].size == (20 if groups == 1 else 17)
    seven = np.array([0.0, 1e-5, 2e-5, 9e-3, 9.01e-3, 9.02e-3, 9.03e-3])
    assert [part.size for part in crack.groups(seven)] == [4, 3]
    sonic = SonicDraws(times, np.full(20, 1.5), np.full(20, 0.9))
    answers, said = crack.sonic_answers(sonic, spacing=0.02)
    assert said == [] and answers["sonic_station"].value == 1.5
    # on stations 2 cm apart: an even spread over them
    assert answers["sonic_station"].sd == pytest.approx(0.02 / np.sqrt(12))
    assert answers["sonic_station"].high95 - answers["sonic_station"].low95 > 0.017
    assert answers["sonic_time"].probability == pytest.approx(1 - 3 / 20)
    sonic.time[:9] = np.nan
    open_still, said = crack.sonic_answers(sonic)
    assert open_still["extension_at_sonic"].value == 0.9 and "probability 0.55" in said[0]


def test_the_tips_acceleration_is_its_change_of_velocity(imposed):
    """From rest to 200 m/s2 steadily within 0.6 ms: over 0.2 ms its greatest is that."""
    time = np.arange(0.0, 0.02, 2e-5)
    ramp = np.clip((time - 0.0097) / 6e-4, 0.0, 1.0)
    velocity = np.zeros((time.size, 3, 3))
    velocity[:, 2, 1] = 50.0 * ramp
    position = np.zeros_like(velocity)
    position[:, 2, 1] = np.cumsum(50.0 * ramp) * 2e-5
    position[::2, 1, 1] = 1e-3  # the middle trembles
    draws = imposed.draws(time, np.array([0.0, 0.5, 1.0]), position, velocity)
    near = crack.peak_acceleration(draws, np.array([0.0095]))[0]
    assert near == pytest.approx(50.0 / 6e-4, rel=0.03)
    assert crack.peak_acceleration(draws, np.array([0.0165]))[0] == pytest.approx(0.0, abs=1.0)
    short = imposed.draws(time[:9], draws.station, position[:9], velocity[:9])
    assert np.isnan(crack.peak_acceleration(short, np.array([1e-4]))[0])


def test_the_line_rises_against_gravity_whatever_its_direction(imposed):
    still = np.zeros((3, 4, 2, 3))
    still[:, :, 1] = np.array([[3.0, 0.0, 4.0], [3.0, 0.0, -4.0], [0.0, 2.0, 0.0]])[:, None]
    draws = imposed.draws(TIME[:4], np.array([0.0, 5.0]), still, 0 * still)
    when = np.array([0.01, 0.02, np.nan])
    down = np.array([0.0, 0.0, -9.8])
    found = crack.rise_at(draws, when, down)
    np.testing.assert_allclose(found[:2], [np.arcsin(0.8), -np.arcsin(0.8)])
    assert np.isnan(found[2]) and np.isnan(crack.rise_at(draws, when, 0 * down)).all()
    aside = crack.rise_at(draws, when, np.array([-2.0, 0.0, 0.0]))
    np.testing.assert_allclose(aside[:2], np.arcsin(0.6))
    hard = crack.peak_acceleration(draws, np.full(3, 0.01))
    answers = crack.shape_answers(when, crack.rise_at(draws, when, 0 * down), hard)
    assert answers["angle_at_sonic"].reason == "no gravity"
    none = np.full(3, np.nan)
    risen = crack.rise_at(draws, none, down)
    reason = crack.shape_answers(none, risen, hard)["angle_at_sonic"].reason
    assert "probability" in reason


def tufted(width, sd=0.0):
    frame = np.arange(len(width)) * 2 + 10
    tuft = TuftWidths(frame, np.asarray(width, dtype=float), np.full(len(width), sd))
    return Camera("t", 1e3, (9, 9), np.eye(3, 4), Clock(0.5, 1e-3), 0.4, tuft=tuft)


def test_a_tuft_is_together_half_way_down(imposed):
    draws = swings(imposed, 3, shared={"clock_drift:t": np.array([0.0, 0.01, 0.0])})
    fall = [8.0] * 5 + [7.0, 5.0, 3.0] + [2.0] * 5
    # frames 10 + 2 k, middle 5.0 at k = 6: frame 22; no offset was drawn, so the clock's own
    found = order.tuft_together(tufted(fall), draws)
    np.testing.assert_allclose(found, 0.5 + np.array([1.0, 1.01, 1.0]) * 22 / 1e3)
    lone = list(fall)
    lone[3] = 40.0  # a single outlier is no largest width
    np.testing.assert_allclose(order.tuft_together(tufted(lone), draws), found)
    rising = [2.0] * 4 + [3.0, 5.0, 7.0] + [8.0] * 5
    assert np.isnan(order.tuft_together(tufted(rising), draws)).all()
    assert order.tuft_together(tufted([8.0, 7.0, 5.0, 2.0]), draws) is None
    assert order.tuft_together(replace(tufted(fall), tuft=None), draws) is None
    several = order.tuft_together(tufted(fall, sd=0.5), swings(imposed, 400, shared={}))
    assert 3e-4 < np.nanstd(several) < 3e-3
