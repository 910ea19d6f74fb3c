"""Arrivals against the motion, and the place of a sound from several microphones."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.emission.sound_place import arrival, place_of_sound

C = 343.2  # [m/s], 20 degC (ISO 9613-1)
MICROPHONES = np.array(
    [
        [1.0, 0, 0],
        [-1.0, 0.2, 0.1],
        [0, 1.2, 0.3],
        [0.1, -1.1, 0.9],
        [0.2, 0.1, 1.5],
        [-0.7, 0.8, 1.2],
    ]
)


def test_place_and_its_covariance_in_monte_carlo() -> None:
    rng, place, born = np.random.default_rng(0), np.array([0.3, 0.2, 0.5]), 0.7
    exact = born + np.linalg.norm(MICROPHONES - place, axis=1) / C
    off, stated = [], []
    for _ in range(60):
        heard = exact + 5e-6 * rng.standard_normal(6)
        found = place_of_sound(MICROPHONES, heard, np.full(6, 5e-6), C, 0.0)
        assert found.reason is None
        off.append(np.append(found.place - place, found.time - born))
        stated.append(np.diag(found.covariance))
    ratio = np.mean(np.square(off), axis=0) / np.mean(stated, axis=0)
    assert np.all((ratio > 0.6) & (ratio < 1.6))


def test_too_few_microphones_and_bad_places_say_so() -> None:
    place = np.array([0.3, 0.2, 0.5])
    exact = np.linalg.norm(MICROPHONES - place, axis=1) / C
    three = place_of_sound(MICROPHONES[:3], exact[:3], np.full(3, 1e-6), C, 0.3)
    assert np.isnan(three.place).all() and "four or more" in str(three.reason)
    row = np.array([[x, 0.0, 0.0] for x in (0.0, 0.3, 0.7, 1.1, 1.6)])
    heard = np.linalg.norm(row - place, axis=1) / C
    lined = place_of_sound(row, heard, np.full(5, 1e-5), C, 0.3)
    assert lined.reason is not None
    flat = MICROPHONES * [1, 1, 0]
    heard = np.linalg.norm(flat - place, axis=1) / C
    mirrored = place_of_sound(flat, heard, np.full(6, 1e-6), C, 0.1)
    both = np.vstack([mirrored.place, mirrored.others])
    assert "fit as well" in str(mirrored.reason)
    assert np.allclose(sorted(both[:, 2]), [-0.5, 0.5], atol=0.02)


def test_arrival_is_emission_and_distance_over_sound() -> None:
    """t = tau + R / c, with R from the place at the time of emission."""
    rng = np.random.default_rng(1)
    when = 0.5 + 20e-6 * rng.standard_normal(4000)
    where = np.array([0.0, 0.0, 1.0]) + np.zeros((4000, 3))
    told = arrival(0.5 + 1.2 / C + 50e-6, 10e-6, [1.2, 0, 1.0], when, where, C, 0.3)
    assert told is not None
    assert told.predicted == pytest.approx(0.5 + 1.2 / C, abs=1.5e-6)
    assert told.difference == pytest.approx(50e-6, abs=1.5e-6)
    expected = np.sqrt(20e-6**2 + (1.2 * 0.3 / C**2) ** 2 + 10e-6**2)
    assert told.sd == pytest.approx(expected, rel=0.05)
    never = np.full(4000, np.nan)
    assert arrival(0.5, 1e-5, [1.2, 0, 1.0], never, where, C, 0.3) is None
