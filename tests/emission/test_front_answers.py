"""A front's speed, the pressure behind it and a cone's Mach number, against what was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.emission.fronts_and_sounds import front_answers
from lashwave.quantities.sightings import Fronts
from tests.emission.test_birth import draws_of
from tests.points import fronts_drawn as drawn

C, P = drawn.SOUND, 101325.0  # 20 degC
SCALE = drawn.SIZE[0] / drawn.VIEW


def flight(mach: float, turn: float = 0.0, draws: int = 5):
    """A tip that flies to the right at z = 0, or on a bend of `turn` [rad/s]."""
    time = np.linspace(0.0, 2e-3, 201)
    angle = turn * (time - 1e-3)
    velocity = mach * C * np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=-1)
    step = np.diff(time)[:, None] * 0.5 * (velocity[1:] + velocity[:-1])
    place = np.concatenate([np.zeros((1, 3)), np.cumsum(step, axis=0)]) - [0.15 * mach, 0.0, 0.0]
    position = np.broadcast_to(place[None, :, None], (draws, 201, 2, 3)).copy()
    moving = np.broadcast_to(velocity[None, :, None], (draws, 201, 2, 3)).copy()
    return draws_of(time, np.array([0.0, 1.0]), position, moving, np.zeros(draws))


def ring(speed: float, sd: float, frames: int, rng: np.random.Generator) -> Fronts:
    """Half a ring that grows at `speed` [m/s], number 0, points 6 px apart in random order."""
    rows = []
    for f in range(frames):
        radius = 120.0 + speed * SCALE / drawn.RATE * f
        angle = rng.permutation(np.arange(0.0, np.pi, 6.0 / radius))
        out = np.column_stack([np.cos(angle), np.sin(angle)])
        off = radius + sd * rng.standard_normal(angle.size)
        rows.append(np.column_stack([np.full(angle.size, f), out * off[:, None] + [500.0, 100.0]]))
    table = np.concatenate(rows)
    number = np.zeros(len(table), dtype=np.int64)
    return Fronts(table[:, 0].astype(np.int64), number, table[:, 1:], np.full(len(table), sd))


def asked(fronts: Fronts, draws, sound_sd: float = 0.3):
    camera = replace(drawn.camera(), fronts=fronts)
    found = front_answers(camera, 0, draws, (C, sound_sd), P)
    return {name.split(":")[0]: answer for name, answer in found.items()}


def test_speed_of_a_ring_is_within_its_interval() -> None:
    rng = np.random.default_rng(0)
    held = []
    for _ in range(40):
        speed = asked(ring(C, 0.3, 8, rng), flight(0.5))["shock_speed"]
        assert abs(speed.value - C) < 4.0
        held.append(speed.low95 <= C <= speed.high95)
    assert np.mean(held) > 0.85  # 34 of 40 or more: binomial, 0.95, 99.5 %


def test_a_weak_front_has_no_overpressure_and_says_why() -> None:
    weak = asked(ring(C, 0.3, 8, np.random.default_rng(1)), flight(0.5))["shock_overpressure"]
    # Rankine and Hugoniot: 1 m/s is 689 Pa at Mach 1 in air at 20 degC.
    assert weak.value is None and weak.reason is not None
    slope = float(weak.reason.split("1 m/s is ")[1].split(" Pa")[0])
    assert slope == pytest.approx(689.0, rel=0.015)  # the speed found stands in for Mach 1


def test_a_strong_front_has_its_overpressure() -> None:
    strong = asked(ring(1.2 * C, 0.1, 8, np.random.default_rng(2)), flight(0.5))
    # Rankine-Hugoniot at Mach 1.2: 7/6 (1.44 - 1) = 0.5133 of the pressure (NACA Report 1135).
    rise = strong["shock_overpressure"]
    assert rise.low95 <= 0.5133 * P <= rise.high95
    assert rise.sd < 0.05 * rise.value


def cone(mach: float, rng: np.random.Generator) -> Fronts:
    """Both sides of the cone of `flight`, 12 to 150 px from its apex, over 6 frames."""
    rows = []
    for f in range(20, 26):
        apex = 1e3 * 0.0 + 0.5 * (drawn.SIZE[0] - 1) + SCALE * mach * (C * f / drawn.RATE - 0.15)
        away = np.arange(12.0, 150.0, 6.0)
        mu = np.arcsin(1.0 / mach)
        for side in (-1.0, 1.0):
            uv = np.column_stack([apex - away * np.cos(mu), side * away * np.sin(mu)])
            uv = uv + [0.0, 0.5 * (drawn.SIZE[1] - 1)] + 0.2 * rng.standard_normal(uv.shape)
            rows.append(np.column_stack([np.full(len(uv), f), uv]))
    table = rng.permutation(np.concatenate(rows))
    table = table[np.argsort(table[:, 0], kind="stable")]
    number = np.zeros(len(table), dtype=np.int64)
    return Fronts(table[:, 0].astype(np.int64), number, table[:, 1:], np.full(len(table), 0.2))


@pytest.mark.parametrize("mach", [1.2, 1.5, 2.0])  # sin mu = 1 / M
def test_mach_number_of_a_cone(mach: float) -> None:
    found = asked(cone(mach, np.random.default_rng(3)), flight(mach))["mach_from_cone"]
    assert found.value == pytest.approx(mach, abs=4 * found.sd)
    assert found.sd < 0.02


def test_no_cone_without_a_supersonic_tip_or_a_straight_front() -> None:
    rng = np.random.default_rng(4)
    assert "supersonic" in asked(cone(1.5, rng), flight(0.9))["mach_from_cone"].reason
    bent = asked(ring(C, 0.05, 6, rng), flight(1.5))["mach_from_cone"]
    assert bent.value is None and "straight" in bent.reason


def test_a_view_with_perspective_says_so() -> None:
    camera = replace(drawn.camera(), fronts=ring(C, 0.3, 4, np.random.default_rng(5)))
    projection = camera.projection.copy()
    projection[2] = [0.0, 0.1, 0.0, 2.0]
    camera = replace(camera, projection=projection)
    found = front_answers(camera, 0, flight(1.5), (C, 0.3), P)
    assert len(found) == 3
    assert all(a.value is None and "parallel light" in a.reason for a in found.values())
