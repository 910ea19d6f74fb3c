"""Rings of known speed, birth and place, drawn with wires, dust, uneven light, a flash, noise."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lashwave.points.shocks.curves import CurveSettings, FrontCurve, find_curves
from lashwave.points.shocks.find_fronts import (
    at_speed,
    bodies,
    crossing_fronts,
    image_scale,
    points_of,
    still_picture,
    wires,
)
from lashwave.points.shocks.front_tracks import Front
from lashwave.quantities.errors import OutOfRangeError
from lashwave.quantities.sightings import Camera, Clock
from tests.points import fronts_drawn as drawn
from tests.published.record import derived

LINE = derived("least squares, s f sqrt(12 / (N (N^2 - 1)))")

cv2.setNumThreads(1)

CENTRE, BORN = (-0.05, 0.02), 1.3 / drawn.RATE


@pytest.fixture(scope="module")
def ring() -> list[Front]:
    frames = drawn.rings(CENTRE, BORN, 13, np.random.default_rng(5))
    return crossing_fronts(frames, at_speed(drawn.camera(), drawn.SOUND))


def test_one_ring_is_one_front_and_nothing_else_is(ring: list[Front]) -> None:
    assert len(ring) == 1
    assert ring[0].frame[-1] == 12 and ring[0].frame.size >= 10


def test_points_lie_on_the_ring_within_their_sd(ring: list[Front]) -> None:
    camera = drawn.camera()
    points = points_of(ring)
    middle = np.array([0.5 * (drawn.SIZE[0] - 1), 0.5 * (drawn.SIZE[1] - 1)])
    middle += image_scale(camera) * np.array([CENTRE[0], -CENTRE[1]])
    radius = image_scale(camera) * drawn.SOUND * (points.frame / drawn.RATE - BORN)
    off = np.linalg.norm(points.uv - middle, axis=1) - radius
    assert abs(off.mean()) < 0.02
    own = points_of([replace(f, pieces=without_stand_off(f)) for f in ring]).sd
    assert 0.7 < np.sqrt(np.mean((off / own) ** 2)) < 1.3
    # No parallel edge beside it: one within 6 px would have been dropped.
    assert points.sd.mean() == pytest.approx(3.0, rel=0.01)


def without_stand_off(front: Front) -> tuple[tuple[FrontCurve, ...], ...]:
    return tuple(tuple(replace(c, stand_off=0 * c.sd) for c in pieces) for pieces in front.pieces)


def test_speed_is_that_of_sound(ring: list[Front]) -> None:
    """The drawn speed, 343.2 m/s at 20 degC (ISO 9613-1), within 0.1 m/s of a line through it."""
    camera = drawn.camera()
    place = np.concatenate([[0.0], np.cumsum(ring[0].step)]) * camera.rate / image_scale(camera)
    slope, covariance = np.polyfit(ring[0].frame, place, 1, cov=True)
    assert covariance[0, 0] < 0.1**2
    assert abs(-slope[0] - drawn.SOUND) < 3 * np.sqrt(covariance[0, 0])  # dark to light is inward


def test_an_empty_field_has_no_curves() -> None:
    rng = np.random.default_rng(0)
    assert find_curves(100 + 3 * rng.standard_normal((300, 400))) == []


def test_a_front_lies_somewhere_in_its_band() -> None:
    """A band of light 10 px wide: its edges' stand-off (sd) is half of that; a lone edge's 3 px."""
    u = np.arange(300.0)[None, :]
    image = 40.0 * ((u > 99.5) & (u < 109.5)) + 40.0 * (u > 219.5)
    noise = np.random.default_rng(2).standard_normal((200, 300))
    curves = find_curves(image + noise, CurveSettings())
    places = sorted(c.uv[:, 0].mean() for c in curves)
    assert places == pytest.approx([99.5, 109.5, 219.5], abs=0.3)
    for curve in curves:
        lone = curve.uv[:, 0].mean() > 200
        assert curve.stand_off == pytest.approx(3.0 if lone else 5.0, abs=0.3)


def test_curves_part_at_a_corner() -> None:
    v, u = np.mgrid[:200, :200]
    inside = ((u > 60) & (v > 60)).astype(float)
    noise = 0.01 * np.random.default_rng(1).standard_normal(inside.shape)
    curves = find_curves(inside + noise, CurveSettings())
    assert len(curves) == 2
    for curve in curves:
        assert np.abs(curve.normal - curve.normal[0]).max() < 0.15
        assert np.abs(curve.uv[:, int(abs(curve.normal[5, 1]) > 0.5)] - 60.5).max() < 0.6


def test_bodies_and_wires_are_told_from_shocks() -> None:
    """A big dark block is a body, a dark band 20 px wide is not; a wire lets part through."""
    frame = np.full((200, 260), 150.0)
    frame[:, 110:130] = 40.0
    frame[120:, 160:] = 20.0
    frame[60:63] *= 0.4
    frames = [frame.astype(np.uint8)] * 3
    hidden = bodies(frames)
    assert hidden[160, 220] and not hidden[50, 120] and not hidden[50, 50]
    through = wires(still_picture(frames))
    assert through[61, 40] == pytest.approx(0.4, abs=0.05)
    assert through[30, 40] == pytest.approx(1.0, abs=0.02)


def test_scale_needs_square_pixels_and_a_depth() -> None:
    squeezed = np.array([[1e3, 0, 0, 0], [0, 0, -1.2e3, 0], [0, 0, 0, 1.0]])
    with pytest.raises(OutOfRangeError, match="two directions"):
        image_scale(Camera("a", 1e4, (64, 64), squeezed, Clock(), 0.1))
    near = np.array([[1e3, 0, 32, 0], [0, 1e3, 32, 0], [0, 0, 1.0, 2.0]])
    camera = Camera("b", 1e4, (64, 64), near, Clock(), 0.1)
    with pytest.raises(OutOfRangeError, match="perspective"):
        image_scale(camera)
    assert image_scale(camera, np.array([0.0, 0.0, 2.0])) == pytest.approx(250.0, rel=0.01)
