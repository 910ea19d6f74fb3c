"""Compile what `simulate` and `reconstruct` run on, so that the first trial need not wait.

    python -m lashwave.workbench.prepare

The last step of an installation. Kernels are compiled when they are first called, and kept; so each
half of the program is run once on the least that calls all of its kernels, both at the same time.
"""

from __future__ import annotations

import multiprocessing
import sys
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lashwave.quantities import Trial

SAMPLES, RATE = 40, 500.0
"""Of the markers, and how many a second [Hz]."""
FRAMES = np.arange(400, 1200, 50)
CAMERA_RATE = 20e3
LENGTH, HANDLE = 2.0, 0.2
"""Of the line and of its grip [m]."""
TURNING = 10.0
"""Of the whole line about its butt [rad/s]."""


def turning_line() -> Trial:
    """Markers and a camera that see a straight line turn about its butt."""
    from lashwave.quantities import Camera, Clock, Line, Markers, Trial

    rng = np.random.default_rng(0)
    station = np.array([0.05, 0.15, 0.4, 0.8, 1.2, 1.6, 1.95])

    def place(time: np.ndarray, station: np.ndarray) -> np.ndarray:
        angle = TURNING * (time - 0.04)
        along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=1)
        return np.asarray(station[:, None] * along[:, None])

    time = np.arange(SAMPLES) / RATE
    seen = place(time, station) + 3e-4 * rng.standard_normal((SAMPLES, station.size, 3))
    markers = Markers(
        time, tuple(f"M{i}" for i in range(station.size)), seen,
        np.full(seen.shape[:2], 3e-4), station,
    )  # fmt: skip
    projection = np.array([[1e3, 0, 0, 500], [0, 0, 1e3, 500], [0, 0, 0, 1]])
    tip = place(FRAMES / CAMERA_RATE, np.array([LENGTH]))[:, 0]
    uv = tip @ projection[:2, :3].T + 500 + 0.4 * rng.standard_normal((FRAMES.size, 2))
    camera = Camera(
        "view", CAMERA_RATE, (3000, 3000), projection, Clock(0.0, 1e-4, 1e-6), 0.4,
        frame=FRAMES, station=np.full(FRAMES.size, LENGTH), uv=uv,
        point_sd=np.full(FRAMES.size, 0.4),
    )  # fmt: skip
    line = Line(
        np.array([0.0, LENGTH]), np.array([8e-3, 2e-3]), np.array([0.05, 0.004]),
        handle_length=HANDLE,
    )  # fmt: skip
    return Trial("turning", line, markers, cameras=(camera,))


def fit() -> None:
    """Reconstruct it on a few links, with all answers."""
    from lashwave.estimate import Options
    from lashwave.pipeline import reconstruct_trial

    few = Options(draws=8, spacing_butt=0.4, spacing_tip=0.3, spacing_clamp=0.2, longest_step=4e-3)
    reconstruct_trial(turning_line(), options=few)


def simulate() -> None:
    """Simulate a swing."""
    from lashwave import twin

    twin.make(0, "swing")


def main() -> int:
    """Both, each in a process of its own; 1 where one of them failed."""
    from lashwave.pipeline import console

    console.say("compiling, once: a minute or so")
    context = multiprocessing.get_context("spawn")
    halves = [context.Process(target=one) for one in (fit, simulate)]
    for half in halves:
        half.start()
    for half in halves:
        half.join()
    return int(any(half.exitcode for half in halves))


if __name__ == "__main__":
    sys.exit(main())
