"""The virtual bench: what it hands over is consistent, and agrees with laws from outside.

Sources: the time of a freely drawn hand's path is checked against the speed bound of an
inextensible line (kinematics); answers against closed forms of a turning rod; the shares of
coverage against the definition in `docs/answers.md`.
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave import twin
from lashwave.instruments import flash_bound, frame_time, project
from lashwave.twin.bench import DRAWS
from lashwave.twin.hands import Stroke, ease
from lashwave.twin.throws import chain_of, draw_throw
from lashwave.twin.truth import TrueMotion, answers, node_tension, output_times
from lashwave.twin.views import Wishes


@pytest.fixture(scope="module")
def swing():
    return twin.make(0, "swing", flashes=True, missing=0.3, ghosts=0.05)


def turning_rod(spin: float = 400.0, length: float = 2.0) -> TrueMotion:
    """A rod that turns about its butt in the x-z plane: everything is known in closed form."""
    time = np.linspace(0.0, 0.02, 4001)
    station = np.linspace(0.0, length, 41)
    angle = spin * time
    out = np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=-1)
    side = np.stack([-np.sin(angle), 0 * angle, np.cos(angle)], axis=-1)
    place = station[:, None] * out[:, None]
    speed = spin * station[:, None] * side[:, None]
    pull = np.broadcast_to(0.5 * (station[1:] + station[:-1]), (4001, 40)).copy()
    force = np.broadcast_to([0.0, 0.0, 3.0], (4001, 3)).copy()
    flat = np.full(4001, 2.0)
    return TrueMotion(time, station, place, speed, -(spin**2) * place, pull, force, flat, flat)


def test_answers_of_a_turning_rod_are_its_closed_forms():
    spin, length = 400.0, 2.0
    scene = DRAWS["swing"](0)
    found = answers(turning_rod(spin, length), scene, 600.0)
    assert found["peak_tip_speed"] == pytest.approx(spin * length, rel=1e-12)
    # a chord of a circle over the 100 us that it takes
    chord = 2 * length * np.sin(spin * 1e-4 / 2) / 1e-4
    assert found["peak_tip_speed_100us"] == pytest.approx(chord, rel=1e-9)
    # the first station at 600 m/s is the tip's, at once: the rod turns from the start
    assert found["sonic_time"] == 0.0
    assert found["extension_at_sonic"] == pytest.approx(1.0)
    assert found["hand_impulse"] == pytest.approx(3.0 * 0.02)
    assert found["hand_work"] == pytest.approx(2.0 * 0.02)


def test_a_line_that_stays_below_sound_has_no_sonic_moment():
    found = answers(turning_rod(100.0), DRAWS["swing"](0), 343.0)
    assert found["sonic_time"] is None and found["sonic_station"] is None


def test_tension_at_nodes_is_exact_for_a_linear_one():
    path = turning_rod()
    at_nodes = node_tension(path.station, path.tension)
    np.testing.assert_allclose(at_nodes[0], path.station, atol=1e-12)


def test_a_path_reads_between_stations_and_times():
    path = turning_rod(40.0)
    place, speed = path.at(np.array([0.00123456]), np.array([0.777]))
    angle = 40.0 * 0.00123456
    exact = 0.777 * np.array([np.cos(angle), 0, np.sin(angle)])
    # cubic Hermite over 5 us: error of order (40 * 5e-6)^4
    assert np.abs(place[0, 0] - exact).max() < 1e-12
    assert np.linalg.norm(speed) == pytest.approx(40.0 * 0.777, rel=1e-8)


def test_output_times_hold_every_marker_sample_and_are_fine_at_the_peak():
    times = output_times(0.7, 0.5123)
    samples = np.arange(0, 351) / 500.0
    assert np.abs(times[np.searchsorted(times, samples - 1e-9)] - samples).max() < 1e-9
    near = times[np.abs(times - 0.5123) < 1.4e-3]
    assert np.diff(near).max() < 5.1e-6


def test_strokes_are_smooth_to_the_third_rate():
    x = np.linspace(-0.1, 1.1, 12001)
    third = np.gradient(np.gradient(np.gradient(ease(x), x), x), x)
    assert np.abs(np.diff(third)).max() < 0.3  # a jump of a third rate would be of order 100
    assert Stroke(0.1, 0.2, 3.0).at(np.array([0.0, 0.4])) == pytest.approx([0.0, 3.0])


@pytest.mark.parametrize("seed", range(0, 80, 9))
def test_drawn_throws_lie_in_the_stated_ranges(seed):
    scene = draw_throw(seed)
    line, station = scene.lash.true, scene.lash.stated_station
    on_line = (station >= line.handle_length).sum()
    assert 1.5 <= line.length <= 3.2 and 0.45 <= scene.duration <= 1.5
    assert 9 <= on_line <= 16 and (station < line.handle_length).sum() == 2
    assert (np.diff(station) > 0).all() and station[-1] < line.length
    assert chain_of(scene.lash, fewest=160).links >= 160


def test_the_chain_has_the_mass_of_line_and_markers():
    lash = draw_throw(1).lash
    line = lash.true
    mass = np.trapezoid(line.linear_density, line.station)
    mass += lash.station.size * lash.marker_mass
    mass += line.tuft.mass if line.tuft else 0.0
    assert chain_of(lash).node_mass.sum() == pytest.approx(mass, rel=1e-12)


def test_the_stated_table_is_off_by_its_own_standard_deviations():
    wrong = []
    for seed in range(20):
        lash = DRAWS["swing"](seed).lash
        off = lash.stated.linear_density - lash.true.linear_density
        wrong.append(off / lash.stated.column_sd["linear_density"])
    pooled = np.concatenate(wrong)
    # chi-squared of some 400 rows: relative sd of the variance sqrt(2/400), four of them
    assert pooled.var() == pytest.approx(1.0, abs=4 * np.sqrt(2 / pooled.size))


def test_no_stiffness_column_where_none_is_wished():
    assert DRAWS["swing"](1, False).lash.stated.bending_stiffness is None


def test_a_swing_is_seen_as_it_was(swing):
    trial, truth = swing
    markers = trial.markers
    on_line = ~markers.on_handle
    true = truth.path.at(markers.time, truth.scene.lash.station)[0]
    off = np.linalg.norm(markers.position[:, on_line] - true, axis=-1) / 0.3e-3
    false = truth.notes["ghost"][:, on_line] | truth.notes["swapped"][:, on_line]
    honest = off[~false & np.isfinite(off)]
    # three coordinates: mean square 3, relative sd of the mean sqrt(2 / 3n)
    assert (honest**2).mean() == pytest.approx(3.0, rel=5 * np.sqrt(2 / (3 * honest.size)))
    assert (off[false & np.isfinite(off)] > 10).all() and false.any()
    assert np.isnan(off).mean() == pytest.approx(0.31, abs=0.03)


def test_the_camera_sees_the_tip_at_its_true_clock_and_registration(swing):
    trial, truth = swing
    camera = trial.cameras[0]
    offset = truth.answers[f"clock_offset:{camera.name}"]
    times = frame_time(camera.rate, camera.frame, offset)
    tip = truth.path.at(times, np.array([trial.line.length]))[0][:, 0]
    shift = [truth.answers[f"registration_{c}:{camera.name}"] for c in "uv"]
    off = (camera.uv - project(camera, tip) - shift) / camera.sd
    # the drift is a few 1e-6 over under a tenth of a second: nothing at these speeds
    assert (off**2).mean() == pytest.approx(1.0, abs=5 / np.sqrt(off.size))
    window = (camera.clock.offset - 8e-3, camera.clock.offset + 8e-3)
    bound = flash_bound(camera.flashes, camera.rate, trial.markers.time, window)
    inside = (bound.intervals[:, 0] - 2e-6 <= offset) & (offset <= bound.intervals[:, 1] + 2e-6)
    assert bound.share == 1.0 and inside.any()


def test_no_link_of_the_truth_is_stretched_and_speeds_agree_with_places(swing):
    path = swing[1].path
    length = np.linalg.norm(np.diff(path.position, axis=1), axis=-1)
    np.testing.assert_allclose(
        length, np.diff(path.station)[None].repeat(len(length), 0), rtol=1e-6
    )
    middle = (path.position[2:] - path.position[:-2]) / (path.time[2:] - path.time[:-2])[
        :, None, None
    ]
    assert np.abs(middle - path.velocity[1:-1]).max() < 0.02 * np.abs(path.velocity).max()


def test_the_same_seed_gives_the_same_trial(swing):
    again = twin.make(0, "swing", flashes=True, missing=0.3, ghosts=0.05)[0]
    np.testing.assert_array_equal(again.markers.position, swing[0].markers.position)
    np.testing.assert_array_equal(again.cameras[0].uv, swing[0].cameras[0].uv)


def test_wishes_default_to_an_honest_bench():
    plain = Wishes()
    assert plain == replace(plain, ghosts=0.0, missing=0.0, swaps=0, clock_wrong=0.0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 20, 40])
def test_a_throw_cracks_and_its_track_is_short(seed):
    trial, truth = twin.make(seed, second_view=True)
    assert 0.85 < truth.answers["peak_tip_mach"] < 1.9
    assert len(trial.cameras) == 2
    assert 10 <= trial.cameras[0].frame.size <= 100


def test_a_swing_that_is_fastest_at_its_end_is_seen_all_the_same():
    trial, truth = twin.make(15, "swing")
    assert truth.answers["peak_tip_speed_time"] > trial.markers.time[-1] - 0.01
    assert len(trial.cameras) == 1
