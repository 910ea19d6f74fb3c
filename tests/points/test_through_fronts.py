"""The walk along a line that black and white bands of a strong front cross."""

import cv2
import numpy as np

from lashwave.points.background import background, darkness
from lashwave.points.tip.line_mask import mask_thresholds
from lashwave.points.tip.through_fronts import walked_ends

TIP = np.array([260.0, 150.0])


def pictures(banded: bool) -> list[np.ndarray]:
    """Ten empty frames, then one with a line 5 px wide and three pairs of bands up to its tip."""
    rng = np.random.default_rng(0)
    light = np.full((300, 400), 120.0)
    empty = [light + rng.normal(0.0, 2.0, light.shape) for _ in range(10)]
    v, u = np.mgrid[:300, :400].astype(float)
    air = light.copy()
    if banded:
        away = np.hypot(u - 60.0, v - 330.0) - np.hypot(*(TIP - [60.0, 330.0]))
        bands = (v > 150.0) & (away > -56.0) & (away < 0.0)
        air = np.where(bands, np.where(np.floor(away / 8.0) % 2 == 0, 4.0, 250.0), air)
    covered = np.zeros(light.shape, np.uint8)
    cv2.line(covered, (-10, 150), (int(TIP[0]), int(TIP[1])), 255, 5)
    hidden = cv2.GaussianBlur(covered / 255.0, (0, 0), 0.7)
    seen = cv2.GaussianBlur(air, (0, 0), 0.7) * (1.0 - hidden)
    frames = [*empty, seen + rng.normal(0.0, 2.0, light.shape)]
    return [np.clip(np.rint(f), 0, 255).astype(np.uint8) for f in frames]


def test_the_walk_ends_at_the_tip() -> None:
    frames = pictures(banded=True)
    scene = background(frames)
    found = walked_ends(darkness(frames[-1], scene), mask_thresholds(scene))
    assert len(found) == 1
    assert np.linalg.norm(found[0].way[0] - TIP) < 5.0
    assert found[0].direction @ [1.0, 0.0] > 0.98


def test_without_fronts_there_is_no_walk() -> None:
    frames = pictures(banded=False)
    scene = background(frames)
    assert walked_ends(darkness(frames[-1], scene), mask_thresholds(scene)) == []
