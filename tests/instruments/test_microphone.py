"""Pressure by retarded times: t = tau + R/c and 1 / |1 - M_r|, band and clipping."""

import numpy as np
import pytest

from lashwave.instruments.wavelets import (
    Hearing,
    SoundSource,
    arrival,
    pile_ups,
    recorded,
    sound_pressure,
)
from tests.published.record import derived

RETARDED = derived("retarded time, t = tau + R / c, dt / dtau = 1 - M (Pierce, Acoustics, 1981)")

SOUND = 343.2
RATE = 500e3


def moving(x: np.ndarray, t: np.ndarray, strength: np.ndarray) -> SoundSource:
    place = np.stack([x, np.zeros_like(x), np.zeros_like(x)], axis=-1)[:, None]
    return SoundSource(t[:, None], place, strength[:, None])


@pytest.mark.parametrize("mach", [0.0, 0.5, -0.5, 0.9, 1.6])
def test_the_doppler_factor_is_that_of_the_retarded_path(check, mach):
    """p = a / (R |1 - M|) straight ahead; a supersonic source is heard last first."""
    t = np.arange(-5e-3, 0.0, 1e-6)
    source = moving(mach * SOUND * t, t, np.full(t.size, 3.0))
    ear = np.array([4.0, 0.0, 0.0])
    sent = -2e-3
    r = 4.0 - mach * SOUND * sent
    heard_at = sent + r / SOUND
    times = heard_at + (np.arange(41) - 20) / RATE
    heard = sound_pressure(source, ear, times, SOUND)
    law = 3.0 / (r * abs(1 - mach))
    check("pressure of a moving source, as 1 / abs(1 - M)", heard[20], law, RETARDED, rel=2e-3)


def test_a_short_sound_arrives_after_its_distance_over_c(check):
    """t = tau + R/c, to a tenth of a sample where no filter stands between."""
    t = np.arange(0.0, 2e-3, 1e-6)
    tau = 0.7031e-3
    source = moving(np.zeros(t.size), t, np.exp(-0.5 * ((t - tau) / 8e-6) ** 2))
    ear = np.array([0.3, -1.1, 0.4])
    r = np.linalg.norm(ear)
    times = np.arange(0.0, 8e-3, 1 / RATE)
    heard = sound_pressure(source, ear, times, SOUND)
    centre = (heard * times).sum() / heard.sum()
    late = 1e6 * (centre - tau - r / SOUND)
    check("arrival of a short sound", late, 0, RETARDED, abs=0.1e6 / RATE, unit="us")
    impulse = np.sqrt(2 * np.pi) * 8e-6 / r
    assert heard.sum() / RATE == pytest.approx(impulse, rel=1e-4)


def test_fronts_pass_when_the_source_moves_toward_the_ear_at_the_speed_of_sound():
    """Speed 343.2 + 4e5 (t - t0) until 0.3 ms later, then slower: one front each way, in time.

    The first sonic moment arrives at t0 + R0/c, after the later one, which is sent from nearer.
    """
    t = np.arange(-1e-3, 2e-3, 0.5e-6)
    t0, span = 0.2e-3, 0.3e-3
    speed = np.clip(SOUND + 4e5 * (span / 2 - np.abs(t - t0 - span / 2)), 30.0, None)
    x = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))])
    x -= np.interp(t0, t, x)
    source = moving(x, t, np.ones(t.size))
    ear = np.array([1.5, 0.0, 0.0])
    sent, heard = pile_ups(t, arrival(source, ear, SOUND)[0][:, 0])
    assert sent == pytest.approx([t0, t0 + span], abs=1e-7)
    assert heard[0] == pytest.approx(t0 + 1.5 / SOUND, abs=1e-8)
    lead = 4e5 * (span / 2) ** 2 / SOUND  # the way gained on sound, two triangles of speed
    assert heard[0] - heard[1] == pytest.approx(lead, rel=1e-3)
    hearing = Hearing(rate=200e3, noise=0.5)
    volts = recorded(source, ear, hearing, 0.0, 1600, SOUND, np.random.default_rng(0))
    rise = int(np.argmax(np.abs(volts) > 0.2 * np.abs(volts).max())) / hearing.rate
    # The band of 70 kHz delays by about 7 us; a sample is 5 us.
    assert 0.0 <= rise - heard[1] < 20e-6


def test_noise_sensitivity_and_clipping():
    silent = moving(np.zeros(2), np.array([0.0, 1.0]), np.zeros(2))
    hearing = Hearing(sensitivity=2e-3, noise=3.0, clip=0.5)
    volts = recorded(silent, np.ones(3), hearing, 0.0, 40000, SOUND, np.random.default_rng(3))
    assert volts.std() == pytest.approx(6e-3, rel=5 / np.sqrt(2 * 40000))
    t = np.arange(0.0, 1e-3, 1e-6)
    loud = moving(np.zeros(t.size), t, np.full(t.size, 1e4))
    assert np.abs(recorded(loud, np.ones(3), hearing, 0.0, 2000, SOUND)).max() == 0.5
