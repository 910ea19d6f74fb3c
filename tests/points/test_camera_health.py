"""What is amiss with a camera is said, and nothing where nothing is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.points.dots.camera_health import advice, camera_health
from tests.points.test_marker_points import camera

CAMERA = replace(camera(0.0), name="north")
COUNT = 6000


def judged(fault: str):
    """Health of one camera whose misses are 0.1 px of noise and one fault."""
    rng = np.random.default_rng(11)
    frame = np.sort(rng.integers(0, 500, COUNT))
    uv = rng.uniform([0.0, 0.0], CAMERA.size, (COUNT, 2))
    off = rng.normal(0.0, 0.1, (COUNT, 2))
    if fault == "shifted":
        off += [0.25, -0.1]
    elif fault == "bent":
        away = (uv - [1279.0, 0.0]) / 1280.0
        off += 1.5 * np.exp(-np.sum(away**2, axis=1, keepdims=True) / 0.1)
    elif fault == "moved":
        off[frame > 300] += [0.0, 0.4]
    elif fault == "empty":
        uv = 0.3 * uv
    off[rng.random(COUNT) < 0.1] = np.nan
    (health,) = camera_health([CAMERA], frame, uv[:, None], off[:, None])
    return health


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("shifted", "shifted by 0.27 px"),
        ("bent", "most at the top right"),
        ("moved", "wanders by"),
        ("empty", "of its view only"),
    ],
)
def test_a_fault_is_named(fault: str, words: str) -> None:
    said = advice(judged(fault))
    assert any(words in one and one.startswith("camera north") for one in said), said


def test_nothing_is_said_of_a_good_camera() -> None:
    health = judged("none")
    assert advice(health) == ()
    assert health.rms == pytest.approx(0.1, rel=0.05)
    assert health.count.sum() == pytest.approx(0.9 * COUNT, rel=0.03)
