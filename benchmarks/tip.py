"""Speed and errors of the strobe pass and the tip pass on painted frames.

Run: python -m benchmarks.tip

512 x 512, 8 bits, one core: CPU seconds of the pass itself, frames held in memory.
"""

from __future__ import annotations

import time

import cv2
import numpy as np

from lashwave.points.background import background
from lashwave.points.strobe import brightness, find_flashes
from lashwave.points.tip import follow, track
from tests.points.painted_line import Painted, bend, front

SIZE, COUNT = (512, 512), 120


class Held(list[np.ndarray]):
    """Frames in memory."""

    size = SIZE
    bits = 8


def whip(frame: float) -> np.ndarray | None:
    """Comes in from the left and swings through."""
    tip = np.array([-30.0 + 4.5 * frame, 250.0 + 100.0 * np.sin(frame / 22.0)])
    if tip[0] < -20:
        return None
    return bend(np.array([-20.0, 120.0 + 0.5 * frame]), np.array([0.5 * tip[0], 40.0 + frame]), tip)


def main() -> None:
    """Print the table."""
    cv2.setNumThreads(1)
    print("noise [levels]  tips  bias [px]  rms [px]  rms / sd   tip [frames/s]  strobe [frames/s]")
    for noise in (2.0, 6.0, 17.0):
        painted = Painted(
            SIZE,
            COUNT,
            whip,
            noise=noise,
            others=lambda f: front(SIZE, (200.0, 250.0), 20.0 + 3.0 * f, 0.2),
            flash=lambda f: 8.0 if f % 24 == 7 else 0.0,
        )
        frames = Held(painted.all())
        start = time.process_time()
        lit = find_flashes(brightness(frames), 24.0).frame
        strobe = COUNT / (time.process_time() - start)
        assert lit.tolist() == list(range(7, COUNT, 24))
        scene = background(frames, skip=lit)
        start = time.process_time()
        found = track(follow(frames, scene))
        speed = COUNT / (time.process_time() - start)
        off = found.uv - np.array([painted.line(f)[-1] for f in found.frame])
        bias, rms = np.abs(off.mean(axis=0)).max(), np.sqrt(np.mean(off**2))
        ratio = np.sqrt(np.mean((off / found.sd[:, None]) ** 2))
        print(
            f"{noise:14.0f} {found.frame.size:5d} {bias:10.3f} {rms:9.3f} {ratio:9.2f}"
            f" {speed:16.0f} {strobe:18.0f}"
        )


if __name__ == "__main__":
    main()
