"""Instruments against plain sums: intervals intersected one by one, rings counted, bins filled.

Every reference here is a loop or a closed form written from the definition, on random input.
"""

from __future__ import annotations

from itertools import product

import cv2
import numpy as np
import pytest
from scipy import stats

from lashwave.instruments.clock import flash_bound, flash_frames, frame_at, frame_time
from lashwave.instruments.marker_system import (
    MarkerRig,
    add_ghosts,
    lost_by_speed,
    marker_reading,
    swap_labels,
)
from lashwave.instruments.schlieren import (
    Knife,
    _smooth,
    draw_backdrop,
    draw_strands,
    fan,
    front_light,
    shadow,
)
from lashwave.instruments.sensor import Sensor, Spot, dot_light, over_exposure, read_out
from lashwave.instruments.wavelets import (
    Hearing,
    ImageGrid,
    SoundSource,
    envelope,
    recorded,
    silhouettes,
    sound_pressure,
)
from lashwave.quantities.sightings import Camera, Clock

cv2.setNumThreads(1)
SOUND = 343.0


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("drift_sd", [0.0, 3e-5])
def test_the_bound_of_few_flashes_is_their_intersection(count: int, drift_sd: float) -> None:
    rng = np.random.default_rng(count)
    for _ in range(25):
        rate, period = rng.uniform(9e3, 3e4), rng.uniform(1.8e-3, 2.3e-3)
        samples = rng.uniform(0.0, 0.1) + period * np.arange(30)
        truth, drift = samples[0] - rng.uniform(0, 2e-3), rng.normal(0.0, 2e-3)
        listed = flash_frames(rate, samples, 900, truth, drift)
        flashes = rng.choice(listed, count, replace=False)
        low, high = truth - rng.uniform(0.2e-3, 1.4e-3), truth + rng.uniform(0.2e-3, 1.1e-3)
        ways = []
        for f in flashes:
            half = (0.5 * (1 + drift) + 2 * drift_sd * f) / rate
            middle = [t - (1 + drift) * f / rate for t in samples]
            ways.append([(m - half, m + half) for m in middle if low - half < m < high + half])
        expected = []
        for chosen in product(*ways):
            a = max(low, *(w[0] for w in chosen))
            b = min(high, *(w[1] for w in chosen))
            if b > a:
                expected.append((a, b))
        found = flash_bound(flashes, rate, samples, (low, high), drift, drift_sd)
        assert found.share == 1.0
        wide = found.intervals[np.diff(found.intervals, axis=1)[:, 0] > 1e-8 / rate]
        np.testing.assert_allclose(wide, sorted(expected), rtol=0, atol=1e-11)


def test_the_default_marker_system_loses_by_speed_as_it_says() -> None:
    """Half at 50 m/s; the logistic's scale is 5 m/s: 1 / (1 + e) of them 5 m/s below."""
    shares = [
        lost_by_speed(np.full((400, 400), v), MarkerRig(), np.random.default_rng(1)).mean()
        for v in (45.0, 50.0, 55.0)
    ]
    expected = np.array([1 / (1 + np.e), 0.5, np.e / (1 + np.e)])
    assert np.abs(shares - expected).max() < 4 * np.sqrt(0.25 / 160000)


def test_reflections_and_exchanges_have_the_laws_that_are_stated() -> None:
    rng = np.random.default_rng(2)
    rig = MarkerRig(ghosts=0.5, ghost_distance=0.2, swaps=1, swap_length=15.0)
    still = np.zeros((400, 10, 3))
    moved, ghost = add_ghosts(still, rig, rng)
    away = np.linalg.norm(moved[ghost], axis=-1) / 0.2 - 0.3
    assert stats.kstest(away, stats.expon.cdf).pvalue > 1e-3
    side = moved[ghost] / np.linalg.norm(moved[ghost], axis=-1, keepdims=True)
    assert np.abs(side.mean(axis=0)).max() < 5 / np.sqrt(3 * ghost.sum())
    length = []
    for _ in range(600):
        _, swapped = swap_labels(np.zeros((3000, 3, 3)), rig, rng)
        length.append(swapped.any(axis=1).sum())
    # 1 + floor of an exponential of mean 15: geometric, mean 1 / (1 - e^(-1/15)) = 15.5
    assert np.mean(length) == pytest.approx(1 / -np.expm1(-1 / 15), abs=5 * 15 / np.sqrt(600))


def test_points_without_a_label_scatter_about_their_marker() -> None:
    rig = MarkerRig(gaps=0.0, loss_speed=1e9, unlabelled=0.5)
    place = np.zeros((600, 4, 3)) + np.array([1.0, -2.0, 3.0])
    time = np.arange(600) / 500.0
    found = marker_reading(time, place, np.zeros((600, 4)), rig, np.random.default_rng(3))
    off = found.unlabelled_position - [1.0, -2.0, 3.0]
    assert off.std() == pytest.approx(0.3, rel=5 / np.sqrt(2 * off.size))
    assert np.abs(off.mean()) < 5 * 0.3 / np.sqrt(off.size)
    assert np.isin(found.unlabelled_time, time).all()


@pytest.mark.parametrize("seed", range(4))
def test_pressure_is_the_share_of_every_pair_in_every_sample(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count, points = 14, 2
    sent = np.cumsum(rng.uniform(1e-5, 9e-5, (count, points)), axis=0)
    place = np.cumsum(rng.normal(0.0, 0.02, (count, points, 3)), axis=0)
    source = SoundSource(sent, place, rng.uniform(0.5, 2.0, (count, points)))
    ear = np.array([0.6, -0.3, 0.2])
    times = 2.1e-3 + 2.5e-5 * np.arange(30)
    expected = np.zeros(30)
    for s in range(points):
        far = np.linalg.norm(ear - place[:, s], axis=1)
        arrive = sent[:, s] + far / SOUND
        for n in range(count - 1):
            a, b = sorted(arrive[n : n + 2])
            size = source.strength[:, s] / far
            heard = 0.5 * (size[n] + size[n + 1]) * (sent[n + 1, s] - sent[n, s])
            for k, t in enumerate(times):
                overlap = max(0.0, min(b, t + 1.25e-5) - max(a, t - 1.25e-5))
                expected[k] += heard * overlap / (b - a) / 2.5e-5
    assert (expected > 0.0).sum() > 8
    np.testing.assert_allclose(
        sound_pressure(source, ear, times, SOUND), expected, rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize(("frequency", "share"), [(2e3, 0.7071), (6.3e3, 1.0), (20e3, 0.7071)])
def test_the_band_edges_are_3_db_down(frequency: float, share: float) -> None:
    hearing = Hearing(rate=200e3, low=2e3, high=20e3, sensitivity=0.5, noise=0.0, clip=1e3)
    sent = np.arange(-0.03, 0.01, 1e-6)
    wave = 4.0 * np.sin(2 * np.pi * frequency * sent)
    still = np.zeros((sent.size, 1, 3)) + np.array([2.0, 0.0, 0.0])
    source = SoundSource(sent[:, None], still, wave[:, None])
    volts = recorded(source, np.zeros(3), hearing, 0.0, 1200, SOUND)
    # 4 Pa m at 2 m is 2 Pa, 1 V at the peak
    # the other edge takes 1/sqrt(1 + 0.1^2) or 1/sqrt(1 + 0.1^4) more
    assert np.sqrt(2 * np.mean(volts**2)) == pytest.approx(share, rel=0.06)
    assert volts.size == 1200


def rings(rng: np.random.Generator) -> SoundSource:
    sent = np.sort(rng.uniform(0.0, 0.3e-3, (6, 2)), axis=0)
    place = rng.uniform(-0.01, 0.01, (6, 2, 3))
    strength = rng.uniform(0.5, 2.0, (6, 2))
    strength[1, 0] = 0.0  # sends nothing
    return SoundSource(sent, place, strength)


def grid(scale: float, u: float, v: float, shape: tuple[int, int]) -> ImageGrid:
    projection = np.array([[scale, 0, 0, u], [0, 0, -scale, v], [0, 0, 0, 1.0]])
    return ImageGrid(projection, shape)


@pytest.mark.parametrize("seed", range(3))
def test_rings_hold_what_their_definition_says(seed: int) -> None:
    """Sum, middle and mean square radius of rings that lie wholly in view."""
    source, scale = rings(np.random.default_rng(seed)), 800.0
    view = grid(scale, 120.0, 118.0, (236, 240))
    time = 0.25e-3  # some wavelets are not sent yet
    image = silhouettes(source, view, time, SOUND)
    step = np.gradient(source.time, axis=0)
    row, column = np.mgrid[0:236, 0:240]
    total, middle, square = 0.0, np.zeros(2), 0.0
    for n, s in np.ndindex(6, 2):
        reach = SOUND * (time - source.time[n, s])
        if reach * scale <= 1.0:
            continue
        # a ring of line density strength c dtau R^-1/2, its length in cells, cells of 1 / scale
        load = source.strength[n, s] * SOUND * step[n, s] / np.sqrt(reach)
        load *= 2 * np.pi * reach * scale * scale
        x, _, z = source.place[n, s]
        centre = np.array([120.0 + scale * x, 118.0 - scale * z])
        total += load
        middle += load * centre
        # sharing among four cells adds 1/6 of a cell squared each way
        square += load * ((reach * scale) ** 2 + centre @ centre + 2 / 6)
    assert image.sum() == pytest.approx(total, rel=1e-9)
    found = np.array([(image * column).sum(), (image * row).sum()])
    np.testing.assert_allclose(found, middle, rtol=1e-3)
    assert (image * (column**2 + row**2)).sum() == pytest.approx(square, rel=1e-3)


def test_a_window_shows_what_the_whole_view_shows_there() -> None:
    source = rings(np.random.default_rng(7))
    whole = silhouettes(source, grid(900.0, 300.0, 280.0, (560, 600)), 0.6e-3, SOUND)
    for left, top in ((100, 90), (250, 300), (330, 60)):
        window = grid(900.0, 300.0 - left, 280.0 - top, (150, 170))
        part = silhouettes(source, window, 0.6e-3, SOUND)
        inside = whole[top : top + 150, left : left + 170]
        np.testing.assert_allclose(part[1:-2, 1:-2], inside[1:-2, 1:-2], atol=1e-9 * whole.max())
        assert inside[1:-2, 1:-2].any()
    tilted = np.array([[900.0, 0, 0, 0], [300.0, 0, -900.0, 0], [0, 0, 0, 1]])
    with pytest.raises(ValueError, match="square"):
        _ = ImageGrid(tilted, (10, 10)).scale


def test_light_of_fronts_is_the_slope_of_their_image() -> None:
    """A weak knife: contrast times the change of the blurred wavelets over one thickness."""
    projection = np.array([[1500.0, 0, 0, 100.0], [0, 0, -1500.0, 80.0], [0, 0, 0, 1]])
    camera = Camera("s", 2e4, (200, 160), projection, Clock(), 0.4)
    sent = np.arange(-1e-3, 0.0, 1e-6)
    place = np.zeros((sent.size, 1, 3))
    source = SoundSource(sent[:, None], place, np.exp(-0.5 * ((sent + 1e-4) / 2e-5) ** 2)[:, None])
    field = silhouettes(source, ImageGrid(projection, (160, 200)), 0.0, SOUND)
    thickness = 2.1  # px
    soft = cv2.GaussianBlur(field, (0, 0), np.sqrt(thickness**2 - 1 / 6))
    for way, axis in (((1.0, 0.0), 1), ((0.0, 1.0), 0), ((0.0, -2.0), 0)):
        knife = Knife(way, 1e-5, range=0.5, thickness=thickness / 1500.0, cell=1)
        light = front_light(camera, source, 0.0, SOUND, knife)
        slope = 1e-5 * thickness * np.gradient(soft, axis=axis) * sum(way)
        inner = (slice(20, -20), slice(20, -20))
        assert np.abs(light - slope)[inner].max() < 2e-3 * np.abs(slope).max()
        coarse = front_light(
            camera, source, 0.0, SOUND, Knife(way, 1e-5, range=0.5, thickness=thickness / 1500.0)
        )
        assert np.abs(coarse - slope)[inner].max() < 0.1 * np.abs(slope).max()
    hard = Knife((1.0, 0.0), 1e3, range=0.5, thickness=thickness / 1500.0, cell=1)
    bright = np.abs(front_light(camera, source, 0.0, SOUND, hard)).max()
    assert bright == pytest.approx(0.5, rel=1e-3)


PATH = np.array([[40.0, 31.0], [58.0, 44.0], [66.0, 70.0], [90.0, 75.0]])
WIDTH = np.array([6.0, 5.0, 3.0, 2.0])


def drawn(path: np.ndarray, width: np.ndarray, size=(130, 110), **more) -> np.ndarray:
    whole = np.zeros(size[::-1], dtype=np.float32)
    where, dark = shadow(size, path, width, 0.7, **more)
    whole[where] = dark
    return whole


def test_a_shadow_turns_shifts_and_parts_with_its_curve() -> None:
    dark = drawn(PATH[None], WIDTH)
    np.testing.assert_allclose(drawn(PATH[None, :, ::-1], WIDTH, (110, 130)).T, dark, atol=2e-6)
    np.testing.assert_allclose(
        drawn(PATH[None] + np.array([3.0, -5.0]), WIDTH)[5:90, 10:120],
        dark[10:95, 7:117],
        atol=2e-6,
    )
    # a window that cuts it, on every side
    for left, top, size in ((45, 35, (30, 25)), (30, 20, (25, 30)), (70, 60, (50, 40))):
        part = drawn(PATH[None] - [left, top], WIDTH, size)
        inside = dark[top : top + size[1], left : left + size[0]]
        np.testing.assert_allclose(part, inside, atol=5e-5)
        assert inside.any()
    # one straight piece is the same as three, where it does not end
    ends = np.array([[10.0, 50.3], [110.0, 60.3]])
    between = ends[0] + np.linspace(0.0, 1.0, 4)[:, None] * (ends[1] - ends[0])
    one, three = drawn(ends[None], np.array([6.0, 3.0])), drawn(between[None], np.linspace(6, 3, 4))
    np.testing.assert_allclose(one, three, atol=1e-4)  # a piece that tapers ends round
    # across it: the share of a normal law within the width, the width falling linearly
    along = np.array([1.0, 0.1]) / np.hypot(1.0, 0.1)
    for x in (30, 60, 90):
        y = np.arange(40, 75)
        off = np.stack([x - 10.0 + 0 * y, y - 50.3], axis=-1)
        s, t = off @ along, off @ np.array([-along[1], along[0]])
        half = 3.0 - 1.5 * s / np.hypot(100.0, 10.0)
        share = stats.norm.cdf((t + half) / 0.7) - stats.norm.cdf((t - half) / 0.7)
        np.testing.assert_allclose(one[y, x], share, atol=1e-5)


def test_a_shadow_is_weighed_over_the_exposure_and_may_be_nowhere() -> None:
    two = np.stack([PATH, PATH + np.array([6.0, 2.0])])
    first, second = (drawn(moment[None], WIDTH) for moment in two)
    np.testing.assert_allclose(drawn(two, WIDTH), 0.5 * (first + second), atol=1e-6)
    weights = np.array([0.2, 0.8])
    np.testing.assert_allclose(
        drawn(two, WIDTH, weights=weights), 0.2 * first + 0.8 * second, atol=1e-6
    )
    for path in (PATH[None] + 900.0, PATH[None] - 900.0, PATH[None] + np.array([0.0, 900.0])):
        assert shadow((130, 110), path, WIDTH, 0.7)[1].size == 0
        assert not drawn(path, WIDTH).any()


def test_air_carries_a_strands_end_whole_and_its_middle_a_quarter() -> None:
    strands = draw_strands(np.random.default_rng(4))
    assert strands.place.size == 14 and strands.place.min() == -1.0 and strands.place.max() == 1.0
    assert strands.reach.max() == 1.0 and 0.7 <= strands.reach.min() < 0.8
    tip, ahead = np.array([10.0, 20.0]), np.array([0.6, 0.8])
    still = fan(strands, tip, ahead, 50.0, 24.0, np.zeros(2))
    blown = fan(strands, tip, ahead, 50.0, 24.0, np.array([3.0, -7.0]))
    moved = (blown - still)[0]  # a strand of full length
    np.testing.assert_allclose(moved[[0, 3, 6]], np.outer([0, 0.25, 1], [3.0, -7.0]), atol=1e-12)
    np.testing.assert_allclose(
        (still - tip) @ ahead, 50.0 * np.outer(strands.reach, np.linspace(0, 1, 7)), atol=1e-12
    )


def test_a_dot_has_the_spread_of_its_core_and_of_its_bloom() -> None:
    """Variances of a mixture: (1 - b) s^2 + b S^2, and 1/12 for the pixel."""
    spot = Spot(spread=0.9, bloom=0.1, bloom_spread=5.0)
    light = dot_light((160, 150), np.array([[[80.3, 74.6]]]), np.ones(1), [3e4], spot).astype(float)
    column, row = np.arange(160), np.arange(150)
    for share, place, middle in (
        (light.sum(0) / light.sum(), column, 80.3),
        (light.sum(1) / light.sum(), row, 74.6),
    ):
        assert share @ place == pytest.approx(middle, abs=1e-4)
        wide = share @ (place - middle) ** 2
        assert wide == pytest.approx(0.9 * 0.81 + 0.1 * 25.0 + 1 / 12, rel=1e-4)


def test_points_of_an_exposure_lie_closer_than_a_spread_and_weigh_one() -> None:
    projection = np.array([[1000.0, 0, 0, 320], [0, 0, -1000.0, 256], [0, 0, 0, 1]])
    camera = Camera("c", 500.0, (640, 512), projection, Clock(), 0.1, exposure=2e-3)
    for speed in (0.0, 5.0, 40.0):
        path, weights = over_exposure(
            camera,
            0.3,
            lambda t, v=speed: np.stack([v * (t - 0.3), 0 * t, 0 * t], -1)[:, None],
            0.8,
        )
        assert weights.sum() == pytest.approx(1.0, rel=1e-12)
        assert weights @ path[:, 0, 0] == pytest.approx(320.0, abs=1e-9)
        # variance of a uniform streak of speed times exposure
        assert weights @ (path[:, 0, 0] - 320.0) ** 2 == pytest.approx((2 * speed) ** 2 / 12)
        assert np.abs(np.diff(path[:, 0, 0])).max(initial=0.0) < 1.3 * 0.8


def test_a_dark_level_is_added_and_carries_no_noise() -> None:
    sensor = Sensor(bits=12, full_well=4095.0, read_noise=0.0, dark=100.0)
    image = read_out(np.full((50, 50), 40.0, np.float32), sensor)
    assert (image == 140).all()
    none = read_out(np.zeros((50, 50), np.float32), sensor, np.random.default_rng(1))
    assert (none == 100).all()


@pytest.mark.parametrize("spread", [6.0, 35.0])
def test_smooth_noise_has_unit_variance_and_its_spread(spread: float) -> None:
    """White noise under a Gaussian of sd s is correlated by exp(-d^2 / 4 s^2) at a distance d."""
    shift = round(1.5 * spread)
    found, size = [], []
    for seed in range(6):
        noise = _smooth(np.random.default_rng(seed), (500, 700), spread).astype(float)
        size.append(noise.var())
        found += [
            (noise[shift:] * noise[:-shift]).mean() / noise.var(),
            (noise[:, shift:] * noise[:, :-shift]).mean() / noise.var(),
        ]
        assert noise.shape == (500, 700)
    assert np.mean(size) == pytest.approx(1.0, abs=0.15)
    assert np.mean(found) == pytest.approx(np.exp(-(1.5**2) / 4), abs=0.12)


def test_wires_are_as_dark_and_as_wide_as_wires() -> None:
    """Level and upright in turn; 50 to 80 % dark, 1.4 to 3.2 px wide at half of it."""
    depth, width, place = [], [], []
    for seed in range(12):
        drawn = draw_backdrop((240, 200), np.random.default_rng(seed), dust=0, wires=1).fixed
        row = np.median(drawn / np.median(drawn, axis=0), axis=1)  # straight along u, nearly
        column = drawn[:, 120] / np.median(drawn[:, 100:140])
        lost = 1.0 - column
        at = int(lost.argmax())
        depth.append(lost[at])
        place.append(at / 200)
        width.append(lost[max(at - 6, 0) : at + 7].sum() / lost[at])
        assert row.min() > 0.1
    assert min(depth) > 0.3 and 0.6 < max(depth) < 0.85
    assert min(width) > 1.2 and max(width) < 4.5 and np.ptp(width) > 0.5
    assert 0.1 < min(place) < 0.4 < 0.6 < max(place) < 0.9
    two = draw_backdrop((240, 200), np.random.default_rng(3), dust=0, wires=2).fixed
    one = draw_backdrop((240, 200), np.random.default_rng(3), dust=0, wires=0).fixed
    assert two.min() < 0.55 * one.min()


def test_specks_are_dark_small_and_few() -> None:
    clean = draw_backdrop((300, 260), np.random.default_rng(8), dust=0, wires=0).fixed
    assert clean.min() > 0.7 and clean.max() < 1.25  # a lamp that is even to a tenth or two
    assert clean[0, 0] < clean[130, 150]  # and falls off toward its corners
    drawn = [
        draw_backdrop((300, 260), np.random.default_rng(s), dust=40, wires=0).fixed
        for s in range(6)
    ]
    for one in drawn:
        lost = 1.0 - one / cv2.medianBlur(one.astype(np.float32), 5)
        assert 0.25 < lost.max() < 0.87
        count, _, where, _ = cv2.connectedComponentsWithStats((lost > 0.2).astype(np.uint8))
        assert 3 <= count - 1 <= 35
        assert where[1:, cv2.CC_STAT_AREA].max() < 200


def test_a_flash_two_frames_off_is_not_explained() -> None:
    samples, rate = np.arange(60) / 499.3, 2e4
    flashes = flash_frames(rate, samples, 400, 0.031)[:4].copy()
    flashes[2] += 2
    found = flash_bound(flashes, rate, samples, (0.0302, 0.0318))
    assert found.share == 0.75
    one = found.intervals[(found.intervals[:, 0] <= 0.031) & (found.intervals[:, 1] >= 0.031)]
    assert len(one) == 1 and np.ptp(one) < 1.0 / rate
    # without a drift, a clock's time is offset + frame / rate
    assert frame_time(rate, 400, 0.031) == pytest.approx(0.051)
    assert frame_at(rate, 0.051, 0.031) == pytest.approx(400.0)


def test_the_envelope_touches_wavelets_on_either_side() -> None:
    """Mach 2 along u: 60 degrees off the way on both sides, first where u turns to v."""
    sent = np.arange(-1e-3, 0.0, 1e-5)
    place = np.zeros((sent.size, 1, 3))
    place[:, 0, 0] = 2.0 * SOUND * sent
    source = SoundSource(sent[:, None], place, np.ones((sent.size, 1)))
    view = grid(1000.0, 300.0, 200.0, (400, 600))
    tau, points = envelope(source, view, 0.2e-3, SOUND)
    centre = np.stack([300.0 + 1000.0 * 2.0 * SOUND * tau, np.full(tau.size, 200.0)], axis=-1)
    reach = 1000.0 * SOUND * (0.2e-3 - tau)
    for k, sign in enumerate((1.0, -1.0)):
        way = np.array([0.5, sign * np.sqrt(0.75)])
        np.testing.assert_allclose(points[:, k], centre + reach[:, None] * way, atol=1e-6)


def test_a_curve_of_many_short_pieces_is_the_curve() -> None:
    ends = np.array([[10.0, 50.3], [110.0, 60.3]])
    many = ends[0] + np.linspace(0.0, 1.0, 301)[:, None] * (ends[1] - ends[0])
    one, short = drawn(ends[None], np.full(2, 5.0)), drawn(many[None], np.full(301, 5.0))
    np.testing.assert_allclose(one[:, :100], short[:, :100], atol=1e-5)  # but for its end


def test_dots_out_of_the_image_hide_no_others() -> None:
    path = np.array([[[900.0, 20.0], [30.0, 25.0]]])
    light = dot_light((64, 48), path, np.ones(1), [1e3, 2e3], Spot(0.8, 0.0))
    assert light.sum() == pytest.approx(2e3, rel=1e-5)


def test_a_microphone_as_it_comes() -> None:
    """1 mV/Pa, 1 Pa of noise, 200 kHz, cut off at 1 V; 70 kHz are 3 dB down."""
    sent = np.arange(-0.01, 0.006, 0.5e-6)
    still = np.zeros((sent.size, 1, 3)) + np.array([1.0, 0.0, 0.0])

    def heard(strength: np.ndarray, rng: np.random.Generator | None = None) -> np.ndarray:
        source = SoundSource(sent[:, None], still, strength[:, None])
        return recorded(source, np.zeros(3), Hearing(), 0.0, 1000, SOUND, rng)

    quiet = heard(np.zeros(sent.size), np.random.default_rng(1))
    assert quiet.std() == pytest.approx(1e-3, rel=5 / np.sqrt(2000))
    tone = heard(5.0 * np.sin(2 * np.pi * 70e3 * sent))
    assert np.sqrt(2 * np.mean(tone**2)) == pytest.approx(5e-3 / np.sqrt(2), rel=0.06)
    assert np.abs(heard(np.full(sent.size, 1e5))).max() == 1.0


def test_a_third_wire_is_level_as_the_first() -> None:
    lost = []
    for seed in range(4):
        three, two = (
            draw_backdrop((220, 240), np.random.default_rng(seed), dust=0, wires=n).fixed
            for n in (3, 2)
        )
        share = three / two  # what the third alone lets through
        lost.append((1 - share[:, 110]).max())
        assert np.median(share, axis=0).min() > 0.9  # no column lies under it
    assert min(lost) > 0.3


def test_a_front_as_it_comes_is_seven_tenths_of_a_millimetre() -> None:
    knife = Knife()
    assert (knife.thickness, knife.cell) == (0.7e-3, 2)
    projection = np.array([[1500.0, 0, 0, 60.0], [0, 0, -1500.0, 50.0], [0, 0, 0, 1]])
    camera = Camera("s", 2e4, (120, 100), projection, Clock(), 0.4)
    sent = np.arange(-4e-4, 0.0, 1e-6)
    source = SoundSource(
        sent[:, None], np.zeros((sent.size, 1, 3)), np.exp(-(((sent + 5e-5) / 1e-5) ** 2))[:, None]
    )
    light = front_light(camera, source, 0.0, SOUND, knife)
    same = front_light(camera, source, 0.0, SOUND, Knife((1.0, 0.0), 0.012, 0.6, 0.7e-3, 2))
    np.testing.assert_array_equal(light, same)
    assert 1e-3 < np.abs(light).max() < 0.6
