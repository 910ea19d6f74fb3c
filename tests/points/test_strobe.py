"""Strobe flashes and clocks: painted pictures, invented brightness, and published statistics."""

import numpy as np
import pytest

from lashwave.instruments import flash_bound, flash_frames
from lashwave.points.clock_sound import FlashSettings
from lashwave.points.clock_sound.flash_clock import (
    _by_region,
    clock_by_motion,
    fit_clock,
    motion_log_likelihood,
)
from lashwave.points.clock_sound.strobe import brightness, find_flashes
from lashwave.quantities.clock_fit import Flashes
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Clock
from tests.points.painted_line import Painted, bend, front
from tests.published.record import derived

ORDER = derived("order statistics, 2 T / (N + 1)")
SLOPE = derived("least squares, 12 s^2 / (N (N^2 - 1) D^2)")

RATE = 20000.0


def listed(frames) -> Flashes:
    """Flashes of which only the frame is known."""
    frame = np.asarray(frames)
    one = np.ones(frame.size)
    return Flashes(frame, frame.astype(float), 0.5 * one, 0.0 * one, one)


def test_flashes_are_found_with_line_and_fronts_in_view():
    size, lit = (192, 160), np.array([5, 17, 29, 41, 53, 65])

    def line(f: float) -> np.ndarray:
        return bend(np.array([-20.0, 40.0]), np.array([40.0, 90.0]), np.array([5.0 * f - 20, 80.0]))

    painted = Painted(
        size,
        72,
        line,
        noise=8.0,
        others=lambda f: front(size, (90.0, 80.0), 3.0 * f, 0.4),
        flash=lambda f: 6.0 if f in lit else 0.0,  # under the noise of a pixel
        radius=lambda n: np.full(n, 5.0),
    )
    found = find_flashes(brightness(painted), 12.0)
    assert found.frame.tolist() == lit.tolist()
    np.testing.assert_allclose(found.brightness, 6.0, atol=1.2)
    assert (found.half == 0.5).all()


def test_a_dark_record_has_no_flashes():
    bright = np.random.default_rng(0).normal(0, 0.1, 4000) + np.sin(np.arange(4000) / 500)
    assert find_flashes(bright, 40.0).frame.size <= 1  # 6 sd: 1e-9 a frame


@pytest.mark.parametrize("exposure, worst_half", [(1.0, 0.06), (0.05, 0.5)])
def test_a_long_flash_tells_its_middle_by_its_edges(exposure, worst_half):
    rng = np.random.default_rng(5)
    count, lasts = 12000, 6.37
    middle = np.arange(17.3, count - 20, 40.013)
    frame = np.arange(count)
    bright = rng.normal(0, 0.05, count) + 2 * np.sin(frame / 900)
    for m in middle:
        near = np.arange(int(m) - 8, int(m) + 9)
        low = np.maximum(near - exposure / 2, m - lasts / 2)
        high = np.minimum(near + exposure / 2, m + lasts / 2)
        bright[near] += 5 * np.clip(high - low, 0, None) / exposure
    found = find_flashes(bright, 40.0, exposure)
    assert found.frame.size == middle.size
    off = found.middle - middle
    assert (np.abs(off) <= found.half + 4 * found.sd + 1e-9).all()
    assert found.half.max() <= worst_half
    if exposure == 1.0:
        assert 0.6 < off.std() / found.sd.mean() < 1.3
        assert off.std() < 0.02


def lamp(middle: np.ndarray, lasts: float, rise: float, exposure: float) -> np.ndarray:
    """Brightness of 4000 frames, each of 200 instants, by a lamp whose light rises in a while."""
    bright = np.zeros(4000)
    for m in middle:
        near = np.arange(int(m) - 9, int(m) + 10)
        instants = near[:, None] + exposure * (np.arange(200) + 0.5 - 100) / 200
        bright[near] += np.clip((lasts / 2 - np.abs(instants - m)) / rise + 0.5, 0, 1).mean(axis=1)
    return 5 * bright + np.random.default_rng(3).normal(0, 0.01, bright.size)


@pytest.mark.parametrize("step, widest", [(50.0, 1.0), (50.02, 0.1)])
@pytest.mark.parametrize("rise", [0.1, 0.5, 0.9])
def test_a_lamp_that_rises_slowly_does_not_pass_for_a_long_exposure(step, widest, rise):
    # In step all flashes stand alike, and no one can tell how fast the light rises.
    off, width = [], []
    for start in np.linspace(20.0, 21.0, 12, endpoint=False) + 0.013:
        middle = np.arange(start, 3970.0, step)
        found = find_flashes(lamp(middle, 3.0, rise, 0.02), step, 0.02, 5e-6)
        assert found.frame.size == middle.size
        late, reach = found.middle - middle, found.half + 4 * found.sd + 1e-3
        assert (np.abs(late) <= reach).all()
        low, high = (late - reach).max(), (late + reach).min()  # where the clock may be
        off.append(max(abs(late.min()), abs(late.max())))
        width.append(high - low)
    assert np.mean(width) <= widest
    if step == 50.0:  # nor does the interval hold much more than it must
        assert np.max(off) > 0.2 * np.mean(width)


@pytest.mark.parametrize("flashes", [2, 5, 20])
def test_offset_interval_is_that_of_order_statistics(check, flashes):
    # Order statistics: mean width 2 T / (N + 1) for incommensurate phases, drift
    # known.
    rng = np.random.default_rng(7)
    widths = []
    for _ in range(6000):
        late = rng.uniform(-0.5, 0.5, flashes) / RATE
        number = np.sort(rng.choice(1000, flashes, replace=False))
        middle = (number / 500.0 + late) * RATE
        fit = _bounds(middle, number)
        assert fit[0] <= 1e-12 and fit[1] >= -1e-12
        widths.append((fit[1] - fit[0]) * RATE)
    name = f"clock offset from {flashes} flashes, width of its interval in frames"
    check(name, np.mean(widths), 2 / (flashes + 1), ORDER, rel=0.02)


def _bounds(middle: np.ndarray, number: np.ndarray) -> tuple[float, float]:
    x = middle / RATE
    return _by_region(x, number / 500.0 - x, np.full(x.size, 0.5 / RATE), 0.0, FlashSettings())[2]


@pytest.mark.parametrize("rate", [20000.0, 20011.3])
@pytest.mark.parametrize("drift_sd", [0.0, 5e-6])
def test_clock_is_honest_whether_rates_keep_step_or_not(rate, drift_sd):
    rng = np.random.default_rng(11)
    samples, frames = np.arange(800) / 500.0, int(rate)
    z, sd, drifts = [], [], []
    for _ in range(40):
        offset, drift = 0.1 + rng.uniform(0, 2e-3), rng.normal(0, 1) * drift_sd
        flashes = listed(flash_frames(rate, samples, frames, offset, drift))
        stated = Clock(offset + rng.normal(0, 2e-4), 2e-4, drift_sd)
        fit = fit_clock(flashes, rate, frames, samples, stated)
        assert fit.share == 1.0 and fit.resolved
        assert fit.bounds[0] - 1e-9 <= offset <= fit.bounds[1] + 1e-9
        if drift_sd == 0.0:  # the same interval as by the instruments' own search
            window = (fit.offset - 9e-4, fit.offset + 9e-4)
            other = flash_bound(flashes.frame, rate, samples, window)
            np.testing.assert_allclose(other.intervals[0], fit.bounds, atol=1e-10)
        z.append((fit.offset - offset) / fit.offset_sd)
        sd.append(fit.offset_sd * rate)
        drifts.append(abs(fit.drift - drift) <= 4 * fit.drift_sd + 1e-15)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3
    assert all(drifts)
    if rate == 20000.0:
        # Half a frame either way, evenly likely, where the rates keep step.
        assert np.mean(sd) == pytest.approx(12**-0.5, rel=0.2)
    else:
        assert np.mean(sd) < 0.1


def test_measured_middles_give_the_rate_of_a_line_fit(check):
    # Least squares: var(slope) = 12 s^2 / [N (N^2 - 1) D^2], with a loose prior on the drift.
    rng = np.random.default_rng(2)
    count, noise, drift = 200, 0.02, 3e-5
    number = np.arange(count)
    true = (number / 500.0 - 0.0123) * RATE / (1 + drift)
    true, number = true[true > 0], number[true > 0]
    one = np.ones(true.size)
    z, stated = [], []
    for _ in range(200):
        middle = true + rng.normal(0, noise, true.size)
        flashes = Flashes(np.rint(middle).astype(int), middle, 0 * one, noise * one, one)
        fit = fit_clock(flashes, RATE, 9000, np.arange(400) / 500, Clock(0.0124, 1e-4, 1e-2))
        z.append((fit.drift - drift) / fit.drift_sd)
        stated.append(fit.drift_sd**2)
    expected = np.sqrt(12 * (noise / RATE) ** 2 / (true.size * (true.size**2 - 1.0) * 500.0**-2))
    # each is scaled up where its own run scatters more than stated, never down: 2 % in the mean
    check("clock rate from flashes, sd", np.sqrt(np.mean(stated)), expected, SLOPE, rel=0.03)
    assert 0.88 < np.std(z) < 1.12
    assert fit.offset == pytest.approx(0.0123, abs=1e-6)


def test_false_and_missing_flashes_do_not_move_the_clock():
    rng = np.random.default_rng(4)
    samples = np.arange(600) / 500.0
    true = flash_frames(20011.3, samples, 20000, 0.05)
    kept = rng.random(true.size) > 0.15
    frames = np.unique(np.concatenate([true[kept], rng.integers(0, 20000, 40)]))
    fit = fit_clock(listed(frames), 20011.3, 20000, samples, Clock(0.0502, 3e-4))
    assert fit.offset == pytest.approx(0.05, abs=0.1 / 20011.3)
    assert fit.share < 0.97


def test_flashes_at_another_rate_are_refused():
    frames = np.arange(0, 9000, 47)
    with pytest.raises(InputError, match="follow the marker rate"):
        fit_clock(listed(frames), RATE, 9000, np.arange(300) / 500, Clock(0.0, 1e-3))


def motion(t: np.ndarray) -> np.ndarray:
    """Of the last two markers and the tip in the image, (T, 3, 2) [px]."""
    lags = (0.0, 0.15, 0.3)
    wave = [np.stack([300 * np.cos(9 * t - p), 200 * np.sin(14 * t - p)], -1) for p in lags]
    return np.stack(wave, axis=1) + 500.0


def seen(samples: np.ndarray, truth: float, sd: float, feature: int):
    """A feature in the camera's images, and the projected images of two markers."""
    rng = np.random.default_rng(8)
    frame = np.arange(100, 2100, 10)
    uv = motion(truth + frame / RATE)[:, feature] + rng.normal(0, sd, (frame.size, 2))
    images = motion(samples)[:, :2] + rng.normal(0, 0.3, (samples.size, 2, 2))
    return frame, uv, np.full(frame.size, sd), images


def test_motion_says_which_flash_is_which_sample():
    samples, truth = np.arange(400) / 500.0, 0.2004
    flashes = listed(flash_frames(RATE, samples, 3000, truth))
    fit = fit_clock(flashes, RATE, 3000, samples, Clock(0.2052, 2e-3))
    assert not fit.resolved and len(fit.candidates) > 5
    assert fit.clock().offset_sd > 1e-3
    frame, uv, sd, images = seen(samples, truth, 0.4, 1)  # the last marker's own dot
    last = images[:, 1:]
    found = clock_by_motion(
        fit, motion_log_likelihood(fit.candidates, RATE, 0.0, frame, uv + 2.0, sd, samples, last)
    )
    assert found.resolved
    assert found.offset == pytest.approx(truth, abs=0.5 / RATE + 1e-9)
    assert found.bounds[0] <= truth + 1e-9 and truth - 1e-9 <= found.bounds[1]


def test_a_tip_that_lags_behind_the_markers_is_not_resolved_wrongly():
    # Two markers whose weights are free make up for a shift in time: the answer must stay open.
    samples = np.arange(400) / 500.0
    for truth in (0.2004, 0.2031, 0.1977):
        flashes = listed(flash_frames(RATE, samples, 3000, truth))
        fit = fit_clock(flashes, RATE, 3000, samples, Clock(0.2052, 2e-3))
        frame, uv, sd, images = seen(samples, truth, 0.4, 2)
        word = motion_log_likelihood(fit.candidates, RATE, 0.0, frame, uv, sd, samples, images)
        found = clock_by_motion(fit, word)
        assert not found.resolved or abs(found.offset - truth) < 1e-3


def test_motion_that_says_nothing_leaves_it_open():
    samples, truth = np.arange(400) / 500.0, 0.2004
    flashes = listed(flash_frames(RATE, samples, 3000, truth))
    fit = fit_clock(flashes, RATE, 3000, samples, Clock(0.2052, 2e-3))
    frame, uv, sd, images = seen(samples, truth, 0.4, 2)
    lost = np.full_like(images, np.nan)
    word = motion_log_likelihood(fit.candidates, RATE, 0.0, frame, uv, sd, samples, lost)
    assert np.isnan(word).all()
    assert not clock_by_motion(fit, word).resolved
    still = np.broadcast_to(uv[:1], uv.shape) + np.random.default_rng(1).normal(0, 0.4, uv.shape)
    word = motion_log_likelihood(fit.candidates, RATE, 0.0, frame, still, sd, samples, images)
    assert not clock_by_motion(fit, word).resolved
