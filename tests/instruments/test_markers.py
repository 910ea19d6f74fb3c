"""The marker system's faults appear at the stated rates, and only those.

Counts are held against the binomial distribution's 99.99 % interval (scipy.stats.binom), normal
samples against the chi-squared distribution: published laws, not the generator's own numbers.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from lashwave.instruments.marker_system import (
    MarkerRig,
    gaps,
    lost_by_speed,
    marker_reading,
    transported,
)

CLEAN = MarkerRig(gaps=0.0, loss_speed=1e9)
TIME = np.arange(400) / 500.0
PLACE = np.zeros((400, 12, 3)) + np.arange(12)[None, :, None]
REST = np.zeros((400, 12))


def in_band(count: int, n: int, p: float) -> bool:
    low, high = stats.binom.interval(0.9999, n, p)
    return low <= count <= high


def test_noise_has_the_stated_standard_deviation():
    reading = marker_reading(TIME, PLACE, REST, CLEAN, np.random.default_rng(1))
    error = (reading.position - PLACE) / CLEAN.sd
    low, high = stats.chi2.interval(0.9999, error.size)
    assert low < (error**2).sum() < high
    assert not reading.ghost.any() and not reading.swapped.any()
    assert reading.unlabelled_time.size == 0


@pytest.mark.parametrize("speed", [35.0, 50.0, 60.0])
def test_loss_with_speed_follows_the_logistic(speed):
    rig = MarkerRig()
    lost = lost_by_speed(np.full((300, 20), speed), rig, np.random.default_rng(2))
    chance = stats.logistic.cdf(speed, 50.0, 5.0)
    assert in_band(lost.sum(), lost.size, chance)


def test_gaps_have_the_stated_share_and_length():
    lost = gaps((5000, 20), 0.2, 5.0, np.random.default_rng(3))
    starts = (lost[1:] & ~lost[:-1]).sum()
    # run lengths are geometric: sd of their mean 5 sqrt(0.8) / sqrt(starts); the share's relative
    # sd is about sqrt(2) times that
    assert lost.sum() / starts == pytest.approx(5.0, abs=4 * 5 / np.sqrt(starts))
    assert lost.mean() == pytest.approx(0.2, rel=6 / np.sqrt(starts))


def test_missing_ghosts_and_stray_points_have_the_stated_shares():
    rig = replace(CLEAN, missing=0.3, ghosts=0.05, unlabelled=0.1)
    reading = marker_reading(TIME, PLACE, REST, rig, np.random.default_rng(4))
    seen = np.isfinite(reading.position[..., 0])
    assert in_band((~seen).sum(), seen.size, 0.3)
    assert in_band(reading.ghost.sum(), int(seen.sum()), 0.05)
    assert in_band(reading.unlabelled_time.size, int(seen.sum()), 0.1)
    off = np.linalg.norm(reading.position - PLACE, axis=-1)
    assert (off[reading.ghost] > 0.02).all()
    assert np.nanmax(np.where(reading.ghost, np.nan, off)) < 8 * rig.sd


def test_swapped_labels_trade_places_and_are_marked():
    reading = marker_reading(TIME, PLACE, REST, replace(CLEAN, swaps=3), np.random.default_rng(5))
    off = np.abs(reading.position - PLACE).max(axis=-1)
    assert reading.swapped.any()
    assert (off[reading.swapped] > 0.9).all() and (off[~reading.swapped] < 0.01).all()


def test_a_hidden_stretch_is_hidden():
    blocked = np.zeros(REST.shape, dtype=bool)
    blocked[100:115, 8:] = True
    reading = marker_reading(TIME, PLACE, REST, CLEAN, np.random.default_rng(6), blocked)
    np.testing.assert_array_equal(np.isnan(reading.position[..., 0]), blocked)


def test_a_stand_off_keeps_its_angle_in_a_plane_and_stays_normal():
    angle = np.linspace(0, 3.0, 50)
    tangent = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=-1)[:, None]
    normal = transported(tangent, np.random.default_rng(7).normal(size=(1, 3)))
    np.testing.assert_allclose((normal * tangent).sum(-1), 0.0, atol=1e-12)
    # turning about z, the share along z and that along z x t both stay as they are
    sideways = np.cross([0.0, 0.0, 1.0], tangent)
    np.testing.assert_allclose(normal[..., 2], normal[0, 0, 2], atol=1e-12)
    np.testing.assert_allclose((normal * sideways).sum(-1), (normal * sideways).sum(-1)[0, 0])


def test_the_same_seed_gives_the_same_record():
    rig = MarkerRig(ghosts=0.05, swaps=2, unlabelled=0.02)
    first, second = (
        marker_reading(TIME, PLACE, REST, rig, np.random.default_rng(8)) for _ in range(2)
    )
    np.testing.assert_array_equal(first.position, second.position)
