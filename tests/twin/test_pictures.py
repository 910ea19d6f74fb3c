"""Pictures of the virtual bench: what they show is where the truth says, and when."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from lashwave.instruments import frame_time, project
from lashwave.twin.film import SchlierenFilm
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from tests.twin.rigid import MACH, PEAK, WIDTH, rigid_throw

SETTING = Setting(frames=120, infrared=3, infrared_size=(960, 800))


@pytest.fixture(scope="module")
def taken():
    trial, truth = rigid_throw(ghosts=0.05, flashes=True)
    return take(trial, truth, SETTING)


def rows(taken, name, camera):
    return [row[1:] for row in taken.found[name] if row[0] == camera]


def test_points_images_and_truth_count_frames_alike(taken):
    """The points that the trial lists are the tip of the images, but for their noise of 0.4 px."""
    camera, film = taken.trial.cameras[0], taken.fast[0]
    tip = {frame: (u, v) for frame, u, v in rows(taken, "tip", "tip-view")}
    off = np.array([camera.uv[i] - tip[int(f)] for i, f in enumerate(camera.frame)])
    assert np.abs(off).max() < 5 * camera.sd and len(off) > 10
    assert camera.flashes.tolist() == taken.found["flashes"]["tip-view"]
    # The window is about the peak, by the true clock; the stated one is good to 2 ms.
    times = film.times(np.array([0.0, 119.0]))
    assert times.mean() == pytest.approx(PEAK, abs=1 / camera.rate)
    stated = frame_time(camera.rate, [0.0], camera.clock.offset)
    assert abs(stated[0] - times[0]) < 5 * camera.clock.offset_sd
    key = "clock_offset:tip-view"
    assert times[0] == pytest.approx(taken.truth.answers[key], abs=1e-12)


def test_the_line_ends_dark_at_the_tip(taken):
    """Along the line's own direction, light returns to half at the tip's truth (no fronts)."""
    film = taken.fast[0]
    stage = replace(film.stage, source=None)
    film = SchlierenFilm(film.camera, film.drift, stage, SETTING, len(film), (0,))
    frame, u, v = rows(taken, "tip", "tip-view")[4]
    light = film.light(frame).astype(float)
    time = film.times(np.array([float(frame)]))
    butt = project(film.camera, stage.path.at(time, np.array([stage.path.station[-1] - 0.02]))[0])
    ahead = np.array([u, v]) - butt[0, 0]
    ahead /= np.hypot(*ahead)
    step = np.arange(-6, 6.01, 0.1)
    at = np.array([u, v]) + step[:, None] * ahead
    low = np.floor(at).astype(int)
    f = at - low
    value = sum(
        light[low[:, 1] + b, low[:, 0] + a]
        * (f[:, 0] if a else 1 - f[:, 0])
        * (f[:, 1] if b else 1 - f[:, 1])
        for a in (0, 1)
        for b in (0, 1)
    )
    half = 0.5 * (value[:20].mean() + value[-20:].mean())
    assert np.interp(half, value, step) == pytest.approx(0.0, abs=0.15)


def test_flashes_light_their_frames(taken):
    """Every listed frame is brighter than those away from any flash, by the strobe's level."""
    film = taken.fast[0]
    listed = taken.found["flashes"]["tip-view"]
    calm = [f + 20 for f in listed if f + 20 < len(film)]  # half way to the next one
    full = SETTING.plain * SETTING.schlieren_sensor.full_well
    for lit, dark in zip(listed, calm, strict=False):
        rise = np.median(film.light(lit)) - np.median(film.light(dark))
        assert rise / full == pytest.approx(SETTING.strobe.level, abs=0.01)


def test_dots_are_where_the_truth_says(taken):
    """Centroids of the light of isolated dots; bloom spreads wider than the window, evenly."""
    checked = 0
    for film, frame in itertools.product(taken.infrared, (5, 20, 28, 45)):
        found = rows(taken, "dots", film.camera.name)
        here = [row for row in found if row[0] == frame]
        light = film.light(frame).astype(float) - SETTING.haze
        uv = np.array([row[1:3] for row in here])
        for point in uv:
            alone = np.sort(np.hypot(*(uv - point).T))[1] > 24
            u, v = (int(x) for x in np.rint(point))
            if not alone or not (10 < u < 949 and 10 < v < 789):
                continue
            window = light[v - 8 : v + 9, u - 8 : u + 9]
            window = window - np.median(window[[0, -1]])
            grid = np.arange(-8, 9)
            centre = [(window.sum(0) @ grid), (window.sum(1) @ grid)] / window.sum()
            assert centre == pytest.approx(point - [u, v], abs=0.02)
            checked += 1
    assert checked >= 6


def test_reflections_have_no_name_and_hidden_markers_no_dot(taken):
    markers = taken.trial.markers
    ghost = taken.truth.notes["ghost"]
    seen = np.isfinite(markers.position).all(axis=-1)
    found = rows(taken, "dots", "infrared-1")
    for frame in range(0, markers.time.size, 7):
        names = [row[4] for row in found if row[0] == frame]
        loose = (np.abs(markers.unlabelled_time - markers.time[frame]) < 1e-6).sum()
        named = {markers.labels[i] for i in np.flatnonzero(seen[frame] & ~ghost[frame])}
        assert {n for n in names if n} == named  # this ring of cameras holds every marker
        assert names.count("") <= ghost[frame].sum() + loose
    assert any(row[4] == "" for row in found)


def test_the_crack_is_heard_when_and_where_sound_says(taken):
    """t = tau + R/c, from the closed form of the tip's path."""
    heard, onset = taken.sound[0], taken.found["onsets"][0]
    path, sound = taken.truth.path, taken.fast[0].stage.sound
    birth = taken.found["birth"]
    # MACH / cosh^2 x = 1; the twin's truth is linear within steps of 5 us.
    x = -np.arccosh(np.sqrt(MACH))
    assert birth["time"] == pytest.approx(PEAK + WIDTH * x, abs=2e-6)
    assert birth["station"] == path.station[-1]
    away = np.linalg.norm(np.array(birth["place"]) - heard.position)
    assert onset["from_birth"] == pytest.approx(birth["time"] + away / sound, abs=1e-9)
    level = np.abs(heard.volts)
    first = heard.true_offset + np.argmax(level > 0.3 * level.max()) / heard.hearing.rate
    assert 0 < first - onset["arrivals"][0] < 30e-6


def test_an_image_is_the_same_each_time_and_noise_is_not(taken):
    film = taken.fast[0]
    once, again, next_one = film[5], film[5], film[6]
    assert (once == again).all() and (once != next_one).mean() > 0.3
    assert once.shape == (1024, 1024) and once.dtype == np.uint8 and len(film) == 120
    with pytest.raises(IndexError):
        film[120]


def test_swapped_labels_are_refused():
    trial, truth = rigid_throw(swaps=2)
    with pytest.raises(ValueError, match="labels"):
        take(trial, truth, SETTING)
