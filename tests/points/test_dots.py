"""Dots found in rendered images: centres, their standard deviations, streaks, pairs, saturation.

Bounds of a centre's error: additive noise, Winick, J. Opt. Soc. Am. A 3 (1986) 1809; photon noise,
Thompson, Larson and Webb, Biophys. J. 82 (2002) 2775; whole pixels, uniform law.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import label as scipy_label
from scipy.stats import chi2

from lashwave.points.dots.blobs import blobs, full_level, image_levels
from lashwave.points.dots.counted_levels import median_of_counts
from lashwave.points.dots.find_dots import DotSettings, find_dots, stream_dots, with_gain
from lashwave.quantities.images import Dots
from tests.points.rendered import Reel, noisy, spots, streak
from tests.published.record import derived, recalled

WINICK = derived("Winick, J. Opt. Soc. Am. A 3 (1986) 1809: sqrt(2 / pi) s / A")
THOMPSON = recalled("Thompson, Larson and Webb, Biophys. J. 82 (2002) 2775: width / sqrt(N)")
WHOLE = derived("uniform law, 1 / sqrt(12) of a pixel")

SIZE = (400, 300)
cv2.setNumThreads(1)


def places(rng: np.random.Generator) -> np.ndarray:
    """24 places (24, 2) [px], far apart, at random parts of a pixel."""
    u, v = np.meshgrid(np.arange(6) * 60 + 50.0, np.arange(4) * 60 + 60.0)
    return np.c_[u.ravel(), v.ravel()] + rng.uniform(-4, 4, (24, 2))


def matched(dots: Dots, truths: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Error (n, 2) [px] and sd (n, 2) of the dot nearest to each true place."""
    away, sd = [], []
    for frame, truth in enumerate(truths):
        own = np.flatnonzero(dots.frame == frame)
        gap = np.linalg.norm(truth[:, None] - dots.uv[own], axis=-1)
        nearest = own[gap.argmin(axis=1)]
        away.append(dots.uv[nearest] - truth)
        sd.append(dots.sd[nearest])
    return np.concatenate(away), np.concatenate(sd)


def assert_honest(away: np.ndarray, sd: np.ndarray) -> None:
    """Errors over stated sd as chi-square, within its 99.9 % interval, widened for a stated noise
    that is itself known to 1.5 %."""
    score, count = float(np.sum((away / sd) ** 2)), away.size
    low, high = chi2.ppf([0.0005, 0.9995], count)
    assert low * 0.97 < score < high * 1.03


def test_centres_reach_the_bound_of_additive_noise(check) -> None:
    # sd = sqrt(2 / pi) s / A; A = 200, s = 4 gives .0159577 px; here s has the variance 1/12
    # of rounding on top, and the pixel's area takes A down by w^2 / (w^2 + 1/12), 1.3 %.
    rng = np.random.default_rng(11)
    peak, noise, width = 200.0, 4.0, 2.5
    truths = [places(rng) for _ in range(50)]
    images = [noisy(spots(SIZE, t, peak, width), 20.0, noise, rng) for t in truths]
    dots = find_dots(Reel(images))
    away, sd = matched(dots, truths)
    bound = np.sqrt(2 / np.pi) * np.hypot(noise, 12**-0.5) / (peak / (1 + 1 / (12 * width**2)))
    assert len(dots.frame) == 1200 and not dots.merged.any() and not dots.streak.any()
    check("centre of a dot, additive noise", away.std(), bound, WINICK, rel=0.05)
    check("centre of a dot, its sd as stated", np.median(sd), bound, WINICK, rel=0.05)
    assert np.abs(away.mean(axis=0)).max() < 4 * bound / np.sqrt(1200)
    assert_honest(away, sd)


def test_centres_reach_the_bound_of_photon_noise(check) -> None:
    # sd = width / sqrt(N); the pixel's area widens the dot by 1/12 px2.
    rng = np.random.default_rng(12)
    electrons, gain, width = 2000.0, 3.0, 1.6
    truths = [places(rng) for _ in range(30)]
    images = []
    for truth in truths:
        light = rng.poisson(spots(SIZE, truth, electrons / (2 * np.pi * width**2), width))
        grey = gain * light + rng.normal(100.0, 0.5, light.shape)
        images.append(np.clip(np.rint(grey), 0, 65535).astype(np.uint16))
    how = with_gain(Reel(images))
    assert how.gain == pytest.approx(gain, rel=0.1)
    dots = find_dots(Reel(images))
    away, sd = matched(dots, truths)
    bound = np.sqrt((width**2 + 1 / 12) / electrons)
    check("centre of a dot, photon noise", away.std(), bound, THOMPSON, rel=0.05)
    assert np.sum((away / sd) ** 2) / away.size == pytest.approx(1.0, abs=0.12)
    assert np.median(dots.flux) == pytest.approx(gain * electrons, rel=0.02)


def test_whole_pixels_are_much_worse(check) -> None:
    # The nearest whole pixel has an sd of 1 / sqrt(12); the fit must not fall back to it.
    rng = np.random.default_rng(13)
    truths = [places(rng) for _ in range(4)]
    images = [noisy(spots(SIZE, t, 150.0, 1.5), 20.0, 2.0, rng) for t in truths]
    away, _ = matched(find_dots(Reel(images)), truths)
    whole = np.concatenate([np.rint(t) - t for t in truths])
    assert whole.std() == pytest.approx(12**-0.5, rel=0.1)
    share = away.std() / 12**-0.5
    check.within("centre of a dot over a whole pixel's sd", share, 0, 0.05, WHOLE)


@pytest.mark.parametrize("bits, peak, noise", [(10, 600.0, 6.0), (12, 2000.0, 25.0)])
def test_sixteen_bit_and_uneven_light(bits: int, peak: float, noise: float) -> None:
    rng = np.random.default_rng(bits)
    truths = [places(rng) for _ in range(6)]
    slope = np.linspace(0.0, 0.3 * peak, SIZE[0])
    images = [noisy(spots(SIZE, t, peak, 2.0) + slope, peak / 5, noise, rng, bits) for t in truths]
    dots = find_dots(Reel(images))
    away, sd = matched(dots, truths)
    assert len(dots.frame) == 144
    assert_honest(away, sd)


def test_noise_against_numpy_and_a_floor_at_black() -> None:
    rng = np.random.default_rng(5)
    grey = noisy(np.zeros((512, 640)), 30.0, 3.0, rng)
    found = image_levels(grey)
    assert found.level == pytest.approx(30.0, abs=0.51)
    assert found.sd == pytest.approx(grey.std(ddof=1), rel=0.03)
    black = image_levels(noisy(np.zeros((512, 640)), 0.0, 3.0, rng))
    assert black.sd == pytest.approx(np.hypot(3.0, 12**-0.5), rel=0.05)


def test_blobs_are_those_of_two_libraries() -> None:
    # OpenCV's and scipy's connected components (8 neighbours), counted and measured.
    rng = np.random.default_rng(3)
    image = noisy(spots((310, 303), rng.uniform(0, 303, (60, 2)), 120.0, 2.5), 20.0, 2.0, rng)
    levels = image_levels(image)
    ours = blobs([image], [levels], np.array([12.0]), 255, 1)
    mask = (image > np.floor(levels.level + 12.0)).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    assert ours.pixels.size == count - 1 == scipy_label(mask, np.ones((3, 3)))[1]
    order = [np.lexsort((a[:, 1], a[:, 0])) for a in (ours.low, stats[1:, :2])]
    assert np.array_equal(ours.pixels[order[0]], stats[1:, cv2.CC_STAT_AREA][order[1]])
    assert np.array_equal((ours.high - ours.low + 1)[order[0]], stats[1:, 2:4][order[1]])


@pytest.mark.parametrize("length, angle", [(6.0, 0.3), (15.0, 1.2), (40.0, -0.7)])
def test_streaks_are_told_from_dots(length: float, angle: float) -> None:
    rng = np.random.default_rng(int(length))
    truth = places(rng)
    drawn, round_ = truth[::2], truth[1::2]
    image = spots(SIZE, round_, 150.0, 1.6)
    for place in drawn:
        image += streak(SIZE, place, length, angle, 40.0 * length, 1.6)
    dots = find_dots(Reel([noisy(image, 20.0, 2.0, rng)]), DotSettings(gain=0.0))
    nearest = np.linalg.norm(truth[:, None] - dots.uv, axis=-1).argmin(axis=1)
    assert len(dots.frame) == 24
    assert dots.streak[nearest[::2]] == pytest.approx(np.full(12, length), abs=0.3)
    assert not dots.streak[nearest[1::2]].any()
    # A tenth of the length along the streak, and the noise alone across.
    along = np.abs([np.cos(angle), np.sin(angle)]) * 0.1 * length
    assert dots.sd[nearest[::2]] == pytest.approx(np.tile(along, (12, 1)), rel=0.1, abs=0.05)
    assert np.linalg.norm(dots.uv[nearest] - truth, axis=1).max() < 0.2


def pairs(apart: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """An image of 24 pairs `apart` px, of two brightnesses, and the two places of each."""
    middle, turn = places(rng), rng.uniform(0, 2 * np.pi, 24)
    half = 0.5 * apart * np.c_[np.cos(turn), np.sin(turn)]
    one, two = middle + half, middle - half
    light = spots(SIZE, one, 170.0, 1.5) + spots(SIZE, two, 110.0, 1.5)
    return noisy(light, 20.0, 2.0, rng), one, two


@pytest.mark.parametrize("widths", [3.5, 4.0, 5.0])
def test_overlapping_dots_are_parted(widths: float) -> None:
    # 1.5 times the full width at exp(-1/2), 2 standard widths, and more.
    rng = np.random.default_rng(7)
    made = [pairs(1.5 * widths, rng) for _ in range(3)]
    dots = find_dots(Reel([m[0] for m in made]), DotSettings(gain=0.0))
    away, sd = matched(dots, [np.concatenate(m[1:]) for m in made])
    assert len(dots.frame) == 144 and not dots.merged.any()
    assert np.abs(away).max() < 0.1
    assert_honest(away, sd)


def test_dots_too_near_to_part_are_flagged_and_covered() -> None:
    rng = np.random.default_rng(8)
    made = [pairs(1.5 * 2.2, rng) for _ in range(3)]
    dots = find_dots(Reel([m[0] for m in made]), DotSettings(gain=0.0))
    away, sd = matched(dots, [np.concatenate(m[1:]) for m in made])
    assert len(dots.frame) == 72 and dots.merged.all()
    assert np.mean((away / sd) ** 2) < 1.5
    assert np.abs(away).max() > 1.0  # the miss is real: a small sd would be false


def test_three_dots_in_a_row_are_no_streak() -> None:
    rng = np.random.default_rng(14)
    middle = places(rng)
    row = np.concatenate([middle + d * np.array([1.0, 0.3]) for d in (-6.0, 0.0, 6.0)])
    dots = find_dots(Reel([noisy(spots(SIZE, row, 120.0, 1.6), 15.0, 2.0, rng)]))
    assert len(dots.frame) == 24 and dots.merged.all()


@pytest.mark.parametrize("peak", [400.0, 1500.0])
def test_saturated_and_cut_dots_are_flagged(peak: float) -> None:
    rng = np.random.default_rng(9)
    truth = places(rng)
    truth[0] = (0.5, 150.0)  # half of it off the sensor
    images = [noisy(spots(SIZE, truth, peak, 2.0), 20.0, 2.0, rng) for _ in range(4)]
    assert full_level(images[0]) == 255
    dots = find_dots(Reel(images), DotSettings(gain=0.0))
    away, sd = matched(dots, [truth] * 4)
    assert len(dots.frame) == 96 and dots.merged.all()
    assert_honest(away, sd)


def test_a_disc_is_placed_well_and_its_sd_covers() -> None:
    # No Gaussian: what is even about the centre does not move it, and must not pass for noise.
    rng = np.random.default_rng(10)
    truth = places(rng)
    v, u = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    image = np.zeros(SIZE[::-1])
    for place in truth:
        away = np.hypot(u - place[0], v - place[1])
        image += 180.0 / (1.0 + np.exp(np.minimum(2.5 * (away - 4.0), 60.0)))
    images = [noisy(image, 20.0, 2.0, rng) for _ in range(4)]
    away, sd = matched(find_dots(Reel(images)), [truth] * 4)
    assert away.std() < 0.015
    assert away.std() < np.median(sd) < 4.0 * away.std()


def test_stream_is_the_same_in_pieces_and_empty_images_are_nothing() -> None:
    rng = np.random.default_rng(2)
    images = [noisy(spots(SIZE, places(rng), 100.0, 1.5), 20.0, 2.0, rng) for _ in range(19)]
    images[4] = noisy(np.zeros(SIZE[::-1]), 20.0, 0.0, rng)
    how = DotSettings(gain=0.0, batch=16)
    parts = list(stream_dots(iter(images), how))
    assert [len(np.unique(p.frame)) for p in parts] == [15, 3]
    whole = find_dots(Reel(images), how)
    assert np.array_equal(np.concatenate([p.uv for p in parts]), whole.uv)
    assert 4 not in whole.frame
    assert len(find_dots(Reel(images[4:5])).frame) == 0


@pytest.mark.parametrize("values", [[3, 5], [0, 0, 4, 9], [1, 7, 7, 8, 8, 8], [2, 6, 7]])
def test_the_median_of_counts_is_that_of_the_values(values: list[int]) -> None:
    """Of an even count it lies midway between the two in the middle, as numpy has it."""
    assert median_of_counts(np.bincount(values), 10) == 10.0 + np.median(values)


@pytest.mark.parametrize("slope", [0.0, 0.06])
@pytest.mark.parametrize("level", [20.0, -1.0])
def test_counting_levels_gives_what_sorting_gives(slope: float, level: float) -> None:
    """The same levels as 8 bits, which are counted, and as 16, which are sorted."""
    rng = np.random.default_rng(4)
    light = spots((640, 515), rng.uniform(5, 500, (30, 2)), 90.0, 1.6)
    grey = noisy(light + slope * np.arange(640), level, 2.0, rng)
    counted, sorted_ = image_levels(grey), image_levels(grey.astype(np.uint16))
    assert counted.level == sorted_.level
    assert counted.sd == pytest.approx(sorted_.sd, rel=1e-12)
    assert (counted.uneven is None) == (sorted_.uneven is None) == (slope == 0.0)
    if counted.uneven is not None:
        np.testing.assert_array_equal(counted.uneven, sorted_.uneven)
