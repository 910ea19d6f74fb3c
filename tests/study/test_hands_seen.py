"""What a hand was seen to do, from motions whose hand is known."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from lashwave.study import hands_seen, throw_family

TIME = np.linspace(0.0, 0.6, 601)


def motion(speed: float, rise: float, follow: float) -> xr.Dataset:
    """A hand that is fastest at 0.2 s, goes on with a share of that, and a tip fastest at 0.4 s."""
    way = np.array([np.cos(rise), 0.0, np.sin(rise)])
    hand = speed * np.where(TIME < 0.25, np.exp(-(((TIME - 0.2) / 0.02) ** 2)), follow)
    tip = 100.0 * np.exp(-(((TIME - 0.4) / 0.01) ** 2))
    velocity = np.stack([hand[:, None] * way, tip[:, None] * [1.0, 0.0, 0.0]], axis=1)
    velocity[TIME > 0.5, 0] = 50.0  # after the crack: not looked at
    return xr.Dataset(
        {"velocity": (("time", "station", "axis"), velocity)},
        coords={"time": TIME, "station": [0.0, 2.0]},
    )


def test_speed_direction_and_follow_of_a_hand():
    seen = hands_seen.hand_seen(motion(8.0, 0.2, 0.1))
    assert seen["speed"] == pytest.approx(8.0)
    assert seen["direction"] == pytest.approx(0.2)
    assert seen["follow"] == pytest.approx(0.1, abs=1e-6)


def test_an_envelope_holds_what_was_seen_as_strokes_of_the_family():
    found = hands_seen.envelope([motion(8.0, 0.2, 0.1), motion(9.5, -0.1, 0.0)])
    for name, speed in zip((0, 1), (8.0, 9.5), strict=True):
        stroke = {"amplitude": found["amplitude"][name], "time": found["time"][name]}
        assert throw_family.hand_speed(stroke) == pytest.approx(speed)
    assert found["direction"] == pytest.approx((-0.1, 0.2))
    assert found["follow"] == pytest.approx((0.0, 0.1), abs=1e-6)
