"""A trial and a motion of a few links, of which every derivative can be taken by differences."""

from __future__ import annotations

import numpy as np

from lashwave.estimate.options import Options
from lashwave.estimate.path import Path, chords, moved
from lashwave.estimate.setup import FitSetup, set_up
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Trial

LABELS = ("G1", "M1", "M2", "M3", "H1")
STATION = np.array([0.05, 0.35, 0.6, 0.97, np.nan])
LENS = np.array([-0.2, 0.05, 1e-3, -5e-4, 0.01])
INNER = np.array([[900.0, 0, 320], [0, 905.0, 240], [0, 0, 1]])


def trial_of(
    rng: np.random.Generator, handle: float = 0.1, ends: str = "free", station_sd: float = 1e-3
) -> Trial:
    """Five markers, one of them on the handle, and two cameras: near, with a lens, and parallel."""
    time = 0.2 + np.arange(24) / 500.0
    position = rng.normal(0.0, 0.3, (24, 5, 3))
    position[3, 1] = np.nan
    labels, station = LABELS, STATION
    if not handle:
        labels, station, position = LABELS[:4], STATION[:4], position[:, :4]
    markers = Markers(
        time, labels, position, rng.uniform(2e-4, 5e-4, position.shape[:2]), station,
        mass=2e-4, diameter=4e-3, station_sd=station_sd, stand_off=2e-3,
    )  # fmt: skip
    line = Line(
        np.array([0.0, 0.5, 1.0]), np.array([6e-3, 4e-3, 2e-3]), np.array([0.03, 0.015, 0.005]),
        np.array([2e-3, 4e-4, 5e-5]), handle_length=handle, ends=ends,
    )  # fmt: skip
    near = INNER @ np.column_stack([np.eye(3), [0.1, -0.2, 3.0]])
    flat = np.array([[300.0, 0, 20.0, 320], [0, 40.0, -300.0, 240], [0, 0, 0, 1]])
    cameras = []
    for name, projection, lens in (("near", near, LENS), ("flat", flat, None)):
        frame = np.array([3, 17, 30, 61, 399], dtype=np.int64)
        cameras.append(
            Camera(
                name, 2e3, (640, 480), projection, Clock(0.2012, 1e-3, 1e-5), 0.4,
                registration_sd=2.0, intrinsics=None if lens is None else INNER, distortion=lens,
                frame=frame, station=np.array([1.0, 0.42, 0.6, 1.0, 1.0]),
                uv=rng.uniform(0, 400, (5, 2)), point_sd=rng.uniform(0.2, 0.6, 5),
            )
        )  # fmt: skip
    return Trial("small", line, markers, cameras=tuple(cameras))


def setup_of(trial: Trial) -> FitSetup:
    return set_up(trial, Options(spacing_butt=0.5, spacing_tip=0.4, spacing_clamp=0.4))


def path_of(setup: FitSetup, rng: np.random.Generator, times: int = 7) -> Path:
    """A smooth random motion on an uneven grid of times, over the first part of the record."""
    time = 0.2 + np.cumsum(rng.uniform(3e-3, 7e-3, times)) - 4e-3
    shape = rng.normal(size=(setup.chain.links, 3)) * 0.4 + [1.0, 0.0, 0.5]
    turn = rng.normal(size=(setup.chain.links, 3)) * 0.2
    x = ((time - time[0]) / 0.03)[:, None, None]
    direction = shape + turn * x + 0.1 * x**2
    direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
    base = rng.normal(0.0, 0.05, (times, 3)).cumsum(axis=0)
    shared = setup.shared.mean.copy()
    for i, name in enumerate(setup.shared.names):
        if name.split(":")[0] in ("registration_u", "registration_v", "axial", "radial"):
            shared[i] += rng.normal()
        if name.startswith("clock_offset"):
            shared[i] += 2e-3 * rng.normal()
    return Path(time, base, direction, shared, chords(setup, direction))


def step_of(setup: FitSetup, path: Path, rng: np.random.Generator) -> np.ndarray:
    """A random step of all unknowns (K n + Q)."""
    own = rng.normal(size=path.time.size * setup.unknowns)
    return np.concatenate(
        [own, rng.normal(size=setup.shared.mean.size) * setup.shared.sd.clip(0, 1)]
    )


def both_ways(setup: FitSetup, path: Path, step: np.ndarray, small: float = 1e-6):
    """The path a little after, and a little before, along a step."""
    return (moved(setup, path, path.axes, sign * small * step) for sign in (1.0, -1.0))
