"""Flashes beside the marker samples: each one's miss, the drift, and what is said of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lashwave.points.clock_sound import clock_advice, fit_clock, flash_health
from lashwave.points.clock_sound.flash_health import strays
from lashwave.quantities import Clock, ClockHealth, Flashes
from lashwave.report import draw_health

RATE, SAMPLES = 20010.0, np.arange(200) / 500.0
OFFSET = 0.0123


def seen(drift: float, wander: float = 0.0) -> Flashes:
    """Flashes of a camera whose lab time is OFFSET + (1 + drift) * frame / RATE, in every sample
    from 0.05 s to 0.35 s; wander : [frames] by which the middles are off at random."""
    times = SAMPLES[(SAMPLES > 0.05) & (SAMPLES < 0.35)]
    middle = (times - OFFSET) * RATE / (1.0 + drift)
    middle = middle + wander * np.random.default_rng(1).standard_normal(middle.size)
    frame = np.rint(middle).astype(np.int64)
    count = np.ones(frame.size)
    return Flashes(frame, middle, 0.01 * count, 0.01 * count, 30.0 * count)


def judged(flashes: Flashes, drift_sd: float = 1e-4) -> ClockHealth:
    stated = Clock(OFFSET + 2e-4, 3e-4, drift_sd)
    fit = fit_clock(flashes, RATE, 8000, SAMPLES, stated)
    return flash_health(flashes, fit, RATE, SAMPLES)


def test_flashes_that_keep_step_miss_nothing() -> None:
    health = judged(seen(2e-6))
    assert np.abs(health.off).max() < 2e-8 * RATE  # well under the hundredth of a frame stated
    assert health.time == pytest.approx(SAMPLES[(SAMPLES > 0.05) & (SAMPLES < 0.35)])
    assert not strays(health).any()


def test_a_drift_is_found_and_said() -> None:
    health = judged(seen(8e-5))
    assert health.drift == pytest.approx(8e-5, abs=4 * health.drift_sd)
    assert health.drift_sd < 1.5e-5
    (said,) = clock_advice(health)
    assert "parts in a million off the markers'" in said
    assert clock_advice(replace(health, drift=3.0 * health.drift_sd)) == ()


def test_a_flash_that_is_another_light_is_counted_with_its_miss() -> None:
    flashes = seen(0.0)
    middle = flashes.middle.copy()
    middle[40] += 6.0
    health = judged(replace(flashes, middle=middle))
    assert np.flatnonzero(strays(health)).tolist() == [40]
    assert health.off[40] == pytest.approx(6.0 / RATE, rel=0.05)
    assert any("1 of 149 flashes miss" in one and "300 us" in one for one in clock_advice(health))
    assert health.record()["worst_us"] == pytest.approx(6e6 / RATE, rel=0.05)


def test_the_page_shows_a_clock_without_any_ring(tmp_path: Path) -> None:
    draw_health(tmp_path / "page.png", "t", (), {"fast": judged(seen(0.0, 0.005))})
    assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")
