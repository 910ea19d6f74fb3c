"""Dots found a second in 1280 x 1024 images of 8 bit with 40 dots, on one core.

    python benchmarks/dots.py [--frames 200]

Images are made beforehand and shown again and again, so that nothing but the search is timed.
Prints the rate by wall clock and by processor time (which a busy machine does not spoil), and the
largest memory that the search held beside the images.
"""

from __future__ import annotations

import argparse
import os
import time
import tracemalloc

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import cv2  # noqa: E402
import figures  # noqa: E402
import numpy as np  # noqa: E402
from figures import MACHINE, Figure  # noqa: E402

from lashwave.points.dots import DotSettings, stream_dots  # noqa: E402

SIZE, DOTS, KEPT = (1280, 1024), 40, 16


def image(rng: np.random.Generator) -> np.ndarray:
    """An image of 40 Gaussian dots, 1.2 to 2.5 px wide, over noise of 2 grey levels."""
    grey = rng.normal(10.0, 2.0, SIZE[::-1])
    for _ in range(DOTS):
        u, v = rng.uniform(20, SIZE[0] - 20), rng.uniform(20, SIZE[1] - 20)
        width, top = rng.uniform(1.2, 2.5), rng.uniform(60, 220)
        rows, columns = np.mgrid[int(v) - 12 : int(v) + 13, int(u) - 12 : int(u) + 13]
        spot = np.exp(-((columns - u) ** 2 + (rows - v) ** 2) / (2 * width**2))
        grey[int(v) - 12 : int(v) + 13, int(u) - 12 : int(u) + 13] += top * spot
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    count = asked.frames
    cv2.setNumThreads(1)
    rng = np.random.default_rng(0)
    images = [image(rng) for _ in range(KEPT)]
    how = DotSettings(gain=0.0)
    sum(len(d.frame) for d in stream_dots(images, how))
    wall, work = time.perf_counter(), time.process_time()
    found = sum(len(d.frame) for d in stream_dots((images[k % KEPT] for k in range(count)), how))
    wall, work = time.perf_counter() - wall, time.process_time() - work
    print(f"{count} images, {found / count:.1f} dots in each")
    print(f"{count / wall:.0f} images/s by wall clock, {1e3 * wall / count:.2f} ms an image")
    print(f"{count / work:.0f} images/s by processor time, {1e3 * work / count:.2f} ms an image")
    tracemalloc.start()
    sum(len(d.frame) for d in stream_dots((images[k % KEPT] for k in range(64)), how))
    held = tracemalloc.get_traced_memory()[1] / 1e6
    print(f"{held:.1f} MB held at most beside the images")
    if asked.keep:
        figures.save("dots", "Dots at 1280 x 1024 with 40 dots", [
            Figure("images a second of CPU", MACHINE, count, count / work, goal="1500",
                   met=count / work >= 1500),
            Figure("memory held beside the images [MB]", MACHINE, count, held),
        ])  # fmt: skip


if __name__ == "__main__":
    main()
