"""The tip of a line that is straight at its end and hooked behind it: as far off as stated.

A free end bears no moment, so its curvature begins at nought and grows: no parabola.
"""

from __future__ import annotations

import cv2
import numpy as np

from lashwave.points.background import background
from lashwave.points.tip import tip_track, tips_in
from tests.points.painted_line import Painted

cv2.setNumThreads(1)
SIZE = (320, 256)


def hook(frame: float) -> np.ndarray | None:
    """(450, 2) [px]: comes in from the left, straight over 8 px, then hooked up or down."""
    tip = np.array([-50.0 + 10.0 * frame, 128.0 + 25.0 * np.sin(frame / 5.0)])
    if tip[0] < -40:
        return None
    s = np.arange(450.0)
    bent = np.clip((s - 8.0) / 4.0, 0.0, 1.0) * (s < 32.0)
    angle = np.sin(frame / 8.0) * np.cumsum(bent) / 16.0
    behind = np.stack([np.cos(angle[-1] - angle), np.sin(angle[-1] - angle)], axis=1)
    return (tip - np.cumsum(behind, axis=0))[::-1]


def ratios(width: float, exposure: float, noise: float) -> np.ndarray:
    """(T, 2) errors over their deviations, of two records."""
    found = []
    for seed in range(2):
        radius = np.full(450, 0.5 * width)
        painted = Painted(
            SIZE, 38, hook, lambda n, r=radius: r, noise=noise, exposure=exposure, wires=False,
            seed=seed,
        )  # fmt: skip
        frames = painted.all()
        track = tip_track(tips_in(frames, background(frames), exposure))
        true = np.array([hook(int(f))[-1] for f in track.frame])
        found.append((track.uv - true) / track.sd[:, None])
    return np.concatenate(found)


CASES = [(3.0, 0.0, 4.0), (4.5, 0.0, 4.0), (4.5, 0.4, 4.0), (4.5, 0.0, 14.0)]
"""Width [px], exposure [frames], noise [grey levels]."""


def test_a_hooked_end_is_as_far_off_as_stated() -> None:
    found = [ratios(*case) for case in CASES]
    for case, off in zip(CASES, found, strict=True):
        assert len(off) > 55, case
        assert np.sqrt(np.mean(off**2)) < 1.3, case
        assert np.abs(off).max() < 5.0, case
    assert np.sqrt(np.mean(np.concatenate(found) ** 2)) > 0.7
