"""Overlay of the fronts found in real schlieren frames: `python -m benchmarks.fronts OUT.png`.

Frames: ../shared/data/schlieren_2khz (MIT; see its SOURCE.md). Prints each front's frames and how
far it wanders along its normal.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import matplotlib
import numpy as np

from lashwave.points.fronts import curve_near, wandering_fronts

FRAMES = Path(__file__).parents[1].parent / "shared" / "data" / "schlieren_2khz"
LEAST = 10  # frames a front must be seen in to be drawn


def main(out: Path) -> None:
    """Find, print, draw."""
    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    cv2.setNumThreads(1)
    files = sorted(FRAMES.glob("frame_*.png"))
    frames = [cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in files]
    start = time.perf_counter()
    fronts = [f for f in wandering_fronts(frames) if f.frame.size >= LEAST]
    print(f"{len(frames)} frames in {time.perf_counter() - start:.1f} s")
    figure, axes = plt.subplots(3, 4, figsize=(20, 14), layout="constrained")
    colours = plt.get_cmap("tab10")
    for k, axis in enumerate(axes.flat):
        axis.imshow(frames[k], cmap="gray", vmin=0, vmax=255)
        axis.set_axis_off()
        axis.set_title(f"frame {k}", fontsize=10)
        for front in fronts:
            for piece in curve_near(front, k):
                axis.plot(*piece.uv.T, ".", ms=3, color=colours(front.number % 10))
            for piece in curve_near(front, k)[:1]:
                middle, colour = piece.uv[len(piece.uv) // 2], colours(front.number % 10)
                axis.text(*middle, str(front.number), fontsize=11, color=colour)
    figure.savefig(out, dpi=70)
    for front in fronts:
        place = np.concatenate([[0.0], np.cumsum(front.step)])
        where = front.pieces[0][0].uv.mean(axis=0).round()
        wander, step = np.ptp(place), np.abs(front.step).max()
        seen = f"front {front.number} near {where}: {front.frame.size} frames"
        print(f"{seen}, moves {wander:.1f} px, largest step {step:.1f} px")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "fronts.png"))
