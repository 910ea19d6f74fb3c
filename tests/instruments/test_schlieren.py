"""Schlieren pictures: the line's shadow, strobe flashes, and fronts that wavelets pile up.

Fronts are held against the Mach angle sin mu = 1/M (NACA Report 1135) and against the
spherical front r = c (t - t0) of the first sonic moment.
"""

import cv2
import numpy as np
import pytest

from lashwave.instruments.schlieren import (
    Knife,
    Strobe,
    draw_backdrop,
    draw_strands,
    fan,
    front_light,
    shadow,
    strobe_light,
)
from lashwave.instruments.sensor import Light
from lashwave.instruments.wavelets import ImageGrid, SoundSource, envelope, silhouettes
from lashwave.quantities.sightings import Camera, Clock

cv2.setNumThreads(1)

SOUND = 343.2
SCALE = 1500.0  # px/m
SIZE = (500, 400)


def view() -> Camera:
    projection = np.array([[SCALE, 0, 0, 250.0], [0, 0, -SCALE, 200.0], [0, 0, 0, 1]])
    return Camera("s", 2e4, SIZE, projection, Clock(), 0.4, exposure=1e-6)


def straight(x: np.ndarray, t: np.ndarray, strength: float = 1.0) -> SoundSource:
    """A point that moves along x, in the plane of the image."""
    place = np.stack([x, np.zeros_like(x), np.zeros_like(x)], axis=-1)[:, None]
    return SoundSource(t[:, None], place, np.full((t.size, 1), strength))


def field(source: SoundSource, time: float, spread: float = 1.5) -> np.ndarray:
    """The wavelets' image, blurred."""
    grid = ImageGrid(np.asarray(view().projection), SIZE[::-1])
    return cv2.GaussianBlur(silhouettes(source, grid, time, SOUND), (0, 0), spread)


def peak(values: np.ndarray) -> float:
    """Place of the highest value, to a fraction of a sample."""
    k = int(values.argmax())
    a, b, c = values[k - 1 : k + 2]
    return k + 0.5 * (a - c) / (a - 2 * b + c)


def test_a_source_at_rest_sends_out_what_its_definition_says():
    """strength / sqrt(R): every wavelet as strong as any other."""
    t = np.arange(-2e-3, 1e-3, 1e-6)
    image = field(straight(np.zeros(t.size), t, 7.0), 1e-3)
    for off in (40, 90, 160):
        r = off / SCALE
        assert image[200, 250 + off] == pytest.approx(7.0 / np.sqrt(r), rel=5e-3)


@pytest.mark.parametrize(("mach", "angle"), [(1.5, 41.810), (2.0, 30.000)])
def test_a_supersonic_source_draws_the_mach_cone_that_runs_at_the_speed_of_sound(mach, angle):
    """Angles of NACA Report 1135, on both sides; the front's speed along its normal is c."""
    t = np.arange(-1.2e-3, 1e-3, 0.5e-6)
    source = straight(mach * SOUND * t, t)
    rows = {1: np.arange(210, 260), -1: np.arange(140, 190)}
    lines = {}
    for time in (0.0, 40e-6):
        image = field(source, time)
        for side, row in rows.items():
            lines[side, time] = np.polyfit(row, [peak(image[r]) for r in row], 1)
    for side in (1, -1):
        slope = lines[side, 0.0][0]
        assert np.degrees(np.arctan(1 / abs(slope))) == pytest.approx(angle, abs=0.3)
        moved = np.polyval(lines[side, 40e-6] - lines[side, 0.0], rows[side].mean())
        normal = moved * np.sin(np.arctan(1 / abs(slope))) / SCALE
        assert normal / 40e-6 == pytest.approx(SOUND, rel=5e-3)


def test_the_first_sonic_moment_sends_a_front_of_radius_c_t():
    """Radius over time is a line whose slope is c and whose zero is t0.

    The source passes the speed of sound once, at t0 = 0.1 ms at x = -60 mm, speeding up steadily;
    its front is looked at straight ahead. Tolerance: the ridge of a blurred one-sided pile-up lies
    some 0.6 spreads off (1.5 px = 1 mm, 2 us).
    """
    t0, x0, a = 1e-4, -0.06, 4e5
    t = np.arange(-4e-4, 2.5e-4, 0.25e-6)
    x = x0 + SOUND * (t - t0) + 0.5 * a * (t - t0) ** 2
    source = straight(x, t)
    times = np.arange(3.5e-4, 6e-4, 5e-5)
    radii = []
    for time in times:
        row = field(source, time)[200].copy()
        about = 250 + SCALE * (x0 + SOUND * (time - t0))
        start = int(about) - 12
        radii.append((start + peak(row[start : start + 25]) - 250) / SCALE - x0)
    slope, shift = np.polyfit(times, radii, 1)
    assert slope == pytest.approx(SOUND, rel=5e-3)
    assert -shift / slope == pytest.approx(t0, abs=4e-6)


def test_a_front_is_born_only_where_the_speed_of_sound_is_reached():
    """The exact envelope: none below Mach 1, then on the axis, one wavelet's radius ahead."""
    t = np.arange(0.0, 1e-3, 1e-6)
    grid = ImageGrid(np.asarray(view().projection), SIZE[::-1])
    slow = straight(0.95 * SOUND * t, t)
    assert envelope(slow, grid, 2e-3, SOUND)[0].size == 0
    x = SOUND * (t - 5e-4) + 0.5 * 2e5 * (t - 5e-4) ** 2
    tau, points = envelope(straight(x, t), grid, 8e-4, SOUND)
    assert tau[0] == pytest.approx(5e-4, abs=2e-6)
    # Seen on the first sample past Mach 1, so the angle is not quite nil.
    assert points[0, 0] == pytest.approx([250 + SCALE * SOUND * 3e-4, 200.0], abs=6.0)


def test_a_source_that_runs_toward_the_camera_draws_no_cone():
    """Mach 1.5 at 60 degrees out of the image's plane is 0.75 in it: its cone has no silhouette."""
    t = np.arange(-1.2e-3, 5e-4, 0.5e-6)
    way = np.array([0.5, np.sqrt(0.75), 0.0])
    place = (1.5 * SOUND * t[:, None] * way)[:, None]
    source = SoundSource(t[:, None], place, np.ones((t.size, 1)))
    grid = ImageGrid(np.asarray(view().projection), SIZE[::-1])
    assert envelope(source, grid, 0.0, SOUND)[0].size == 0
    # Outward from the axis, 50 px behind the source: a smooth hump, but for a cone in the plane.
    hump = field(source, 0.0)[200:320, 200]
    assert np.abs(np.diff(hump)).max() < 0.01 * hump.max()
    cone = field(straight(1.5 * SOUND * t, t), 0.0)[200:320, 200]
    assert np.abs(np.diff(cone)).max() > 0.2 * cone.max()


def test_a_front_is_light_on_one_side_and_dark_on_the_other():
    t = np.arange(-1.2e-3, 5e-4, 0.5e-6)
    source = straight(1.5 * SOUND * t, t)
    level, flipped = (
        front_light(view(), source, 0.0, SOUND, Knife((0.0, way), 0.01, thickness=1.4e-3))
        for way in (1.0, -1.0)
    )
    assert np.abs(level + flipped).max() < 1e-6
    column = level[210:300, 200]
    assert column.max() > 0.02 and column.min() < -0.02
    assert np.abs(level).max() <= 0.6
    # The envelope is at v - 200 = 50 tan mu. An inverse root convolved with a Gaussian peaks 0.765
    # of its spread inside (computed here, by quadrature): 2.1 px across the front.
    angle = np.arcsin(1 / 1.5)
    u = np.linspace(1e-4, 4.0, 4000) ** 2
    shift = np.linspace(0.5, 1.0, 501)
    bump = np.exp(-0.5 * (shift[:, None] - u) ** 2) @ np.gradient(np.sqrt(u))
    inside = shift[bump.argmax()] * 1.4e-3 * SCALE / np.cos(angle)
    expected = 200 + 50 * np.tan(angle) - inside
    rows = np.arange(int(expected) - 3, int(expected) + 5)
    turn = np.interp(0.0, -level[rows, 200], rows)
    assert turn == pytest.approx(expected, abs=0.3)


def dark_of(path, width, spread=0.6) -> tuple[np.ndarray, Light]:
    whole = np.zeros(SIZE[::-1], dtype=np.float32)
    where, dark = shadow(SIZE, np.asarray(path, dtype=float), width, spread)
    whole[where] = dark
    return whole


def test_the_shadow_has_the_width_and_the_end_of_the_line():
    """Dark area along and across a strip of known size; its end is flat, at the last point."""
    path = [[[-50.0, 100.25], [120.4, 100.25], [240.8, 100.25]]]
    dark = dark_of(path, [6.4, 6.4, 6.4])
    assert dark[:, 150].sum() == pytest.approx(6.4, rel=1e-4)
    assert (dark[:, 150] * np.arange(400)).sum() / 6.4 == pytest.approx(100.25, abs=1e-3)
    assert dark[100].sum() == pytest.approx(240.8 + 0.5, abs=1e-2)  # from the edge, at -0.5


def test_the_shadow_is_blurred_over_the_exposure():
    """A strip that moves b sideways keeps its dark area and widens by b^2 / 12."""
    rows = np.arange(400)

    def variance(dark):
        share = dark[:, 150] / dark[:, 150].sum()
        return (share * rows**2).sum() - (share * rows).sum() ** 2

    moves = 100.0 + np.linspace(-4.0, 4.0, 81)
    moved = dark_of([[[-50, y], [600, y]] for y in moves], [5.0, 5.0])
    still = dark_of([[[-50, 100.0], [600, 100.0]]], [5.0, 5.0])
    assert moved[:, 150].sum() == pytest.approx(5.0, rel=1e-3)
    assert variance(moved) - variance(still) == pytest.approx(8.1**2 / 12, rel=5e-3)


def test_a_thin_strand_is_a_faint_shadow():
    dark = dark_of([[[-50.0, 100.0], [600.0, 100.0]]], 0.3)
    # A Gaussian of 0.6 px, sampled once a pixel, sums to 1 within 2 exp(-2 pi^2 0.6^2) = 1.6e-3.
    assert dark[:, 200].sum() == pytest.approx(0.3, rel=1.7e-3) and dark.max() < 0.25


def test_a_fan_is_as_wide_as_it_is_asked_for():
    strands = draw_strands(np.random.default_rng(2))
    curves = fan(strands, np.array([10.0, 20.0]), np.array([0.6, 0.8]), 50.0, 24.0, np.zeros(2))
    across = (curves - [10.0, 20.0]) @ np.array([-0.8, 0.6])
    assert across[:, -1].max() - across[:, -1].min() == pytest.approx(24.0, abs=1e-9)
    assert np.abs(curves[:, 0] - [10.0, 20.0]).max() < 1e-12


def test_a_flash_lights_its_frames_whole_and_its_edges_in_part():
    """Held against a fine sum of the trapezoid: 100 us wide at half height, 20 us edges."""
    strobe = Strobe(level=0.2, duration=100e-6, rise=20e-6)
    middle = np.array([1e-3, 3e-3])
    times = np.array([0.9e-3, 0.949e-3, 0.95e-3, 1.0e-3, 1.052e-3, 1.3e-3, 3.0e-3])
    light = strobe_light(strobe, middle, times, 6e-6)

    def mean(t):
        fine = t + 6e-6 * ((np.arange(20000) + 0.5) / 20000 - 0.5)
        gap = np.abs(fine - middle[:, None]).min(axis=0)
        return np.interp(gap, [40e-6, 60e-6], [0.2, 0.0]).mean()

    assert light == pytest.approx([mean(t) for t in times], abs=1e-7)
    assert light[2] == pytest.approx(0.1, abs=1e-6) and light[3] == pytest.approx(0.2)
    whole = strobe_light(strobe, middle[:1], np.arange(0, 2e-3, 1e-6), 1e-6).sum() * 1e-6
    assert whole == pytest.approx(0.2 * 100e-6, rel=1e-4)


def test_the_backdrop_is_even_within_bounds_and_drifts():
    drawn = draw_backdrop((300, 200), np.random.default_rng(5), wind=(3e3, -1e3))
    start, late = drawn.at(0.0), drawn.at(5e-3)
    assert start.shape == (200, 300) and 0.85 < np.median(start) < 1.1 and start.min() > 0.0
    still, moved = start / drawn.fixed - 1, late / drawn.fixed - 1
    inner = (slice(20, -20), slice(20, -20))
    # 15 px along u and 5 px along v, one way or the other.
    best = max(
        np.corrcoef(still[inner].ravel(), np.roll(moved, (b, a), (0, 1))[inner].ravel())[0, 1]
        for a in (-15, 15)
        for b in (-5, 5)
    )
    assert best > 0.98
