"""How the bench's instruments stand and what they read of a true motion."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import (
    MarkerRig,
    exposed,
    flash_frames,
    frame_at,
    frame_time,
    in_view,
    marker_reading,
    transported,
)
from lashwave.quantities import Array, Camera, Clock, Markers
from lashwave.twin.throw_scene import ThrowScene
from lashwave.twin.truth import TrueMotion

MARKER_RATE = 500.0
CAMERA_RATES = (20e3, 25e3, 12.5e3, 10e3)
"""Tried in turn until 20 to 100 frames hold the tip [Hz]."""
FRAMES = (20, 100)
WINDOW = 0.35
"""Width of the camera's view [m]."""


@dataclass(frozen=True)
class Wishes:
    """What the bench is asked for beyond the scene."""

    camera: bool = True
    second_view: bool = False
    ghosts: float = 0.0
    missing: float = 0.0
    swaps: int = 0
    flashes: bool = False
    lost_third: bool = False
    """Hide the last third of the line for 30 ms around the peak."""
    clock_wrong: float = 0.0
    """The stated clock offset is wrong by this [s], and stated as good to 0.1 ms."""
    stand_off: float = 0.0
    """Of the markers from the axis [m]."""
    camera_rate: float | None = None
    """Of the fast cameras [Hz]; None: one of `CAMERA_RATES`, which keep step with the markers."""


def _handle_markers(
    path: TrueMotion, scene: ThrowScene, times: Array, rng: np.random.Generator
) -> Array:
    """Places (T, 2, 3) of two markers on arms fixed to the grip."""
    handle = scene.lash.true.handle_length
    ends = path.at(times, np.array([0.0, handle]))[0]
    axis = (ends[:, 1] - ends[:, 0]) / handle
    normal = transported(np.repeat(axis[:, None], 2, axis=1), rng.normal(size=(2, 3)))
    along, out = rng.uniform(0.1, 0.9, 2) * handle, rng.uniform(0.03, 0.06, 2)
    return ends[:, :1] + along[:, None] * axis[:, None] + out[:, None] * normal


def read_markers(
    path: TrueMotion, scene: ThrowScene, wishes: Wishes, peak: float, rng: np.random.Generator
) -> tuple[Markers, dict[str, Any]]:
    """The marker system's record; which of its samples are false, and the markers' true places."""
    lash = scene.lash
    times = np.arange(0, int(np.floor(path.time[-1] * MARKER_RATE + 1e-6)) + 1) / MARKER_RATE
    station = lash.station
    place, velocity = path.at(times, station)
    if wishes.stand_off > 0:
        ahead = path.at(times, np.minimum(station + 5e-3, path.station[-1]))[0]
        tangent = ahead - path.at(times, station - 1e-3 * (station > 1e-3))[0]
        tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
        place = place + wishes.stand_off * transported(tangent, rng.normal(size=tangent.shape[1:]))
    speed = np.linalg.norm(velocity, axis=-1)
    grip = station < lash.true.handle_length
    labels = [f"G{i + 1}" for i in range(int(grip.sum()))]
    labels += [f"M{i + 1:02d}" for i in range(int((~grip).sum()))]
    stated = lash.stated_station
    if scene.seed % 2 == 1 and lash.true.handle_length > 0:
        place = np.concatenate([place, _handle_markers(path, scene, times, rng)], axis=1)
        speed = np.concatenate([speed, np.zeros((times.size, 2))], axis=1)
        labels += ["H1", "H2"]
        stated = np.concatenate([stated, [np.nan, np.nan]])
    rig = MarkerRig(
        sd=0.3e-3,
        missing=wishes.missing,
        ghosts=wishes.ghosts,
        unlabelled=wishes.ghosts,
        swaps=wishes.swaps,
    )
    blocked = np.zeros(speed.shape, dtype=bool)
    if wishes.lost_third:
        outer = np.nan_to_num(stated) > lash.true.length * 2 / 3
        when = (times > peak - 0.02) & (times < peak + 0.01)
        blocked |= when[:, None] & outer
    seen = marker_reading(times, place, speed, rig, rng, blocked)
    record = Markers(
        time=times,
        labels=tuple(labels),
        position=seen.position,
        sd=np.full(speed.shape, rig.sd),
        station=stated,
        unlabelled_time=seen.unlabelled_time,
        unlabelled_position=seen.unlabelled_position,
        mass=lash.marker_mass,
        diameter=lash.marker_diameter,
        station_sd=lash.station_sd,
        stand_off=wishes.stand_off,
    )
    return record, {"ghost": seen.ghost, "swapped": seen.swapped, "place": place}


def stand(
    aim: Array, facing: Array, rate: float, name: str, sensor: tuple[float, int] = (WINDOW, 1024)
) -> Camera:
    """A camera in parallel light that looks level along `facing`, its middle on `aim` (3,) [m].

    sensor : width of its view [m], and pixels across it.
    """
    size = sensor[1]
    scale = size / sensor[0]
    right = np.array([facing[1], -facing[0], 0.0])
    rows = np.stack([scale * right, [0.0, 0.0, -scale]])
    projection = np.zeros((3, 4))
    projection[:2, :3] = rows
    projection[:2, 3] = 0.5 * size - rows @ aim
    projection[2, 3] = 1.0
    return Camera(name, rate, (size, size), projection, Clock(), 0.4, exposure=1e-6)


def frames_in_view(
    camera: Camera, path: TrueMotion, peak: float, offset: float
) -> NDArray[np.int64]:
    """Consecutive frames (F,) around the peak in which the tip is on the sensor.

    peak, offset : of the tip's speed, and of the camera's clock [s].
    """
    tip, rate = path.position[:, -1], path.velocity[:, -1]

    def place(t: Array) -> Array:
        return interpolate_tip(path.time, tip, rate, t)

    middle = int(np.rint(frame_at(camera.rate, np.array(peak), offset)))
    reach = int(0.05 * camera.rate)
    frames = np.arange(max(0, middle - reach), middle + reach)
    times = frame_time(camera.rate, frames, offset)
    inside = (times > path.time[0] + 1e-4) & (times < path.time[-1] - 1e-4)
    frames, times = frames[inside], times[inside]
    seen = in_view(camera, exposed(camera, times, place), margin=3.0)
    if not frames.size:
        return frames
    at = min(int(np.searchsorted(frames, middle)), frames.size - 1)  # the peak may end the record
    first = last = at
    while first > 0 and seen[first - 1]:
        first -= 1
    while last < frames.size - 1 and seen[last + 1]:
        last += 1
    return frames[first : last + 1] if seen[at] else frames[:0]


def interpolate_tip(times: Array, place: Array, rate: Array, at: Array) -> Array:
    """The tip's place [m] (Q, 3) at times `at` (Q,), by the motion's own rule."""
    from lashwave.quantities import interpolate

    return interpolate(times, place, rate, at)[0]


def _at_best_rate(
    path: TrueMotion,
    toward: tuple[Array, Array],
    name: str,
    peak: float,
    offset: float,
    rates: tuple[float, ...],
) -> tuple[Camera, NDArray[np.int64]]:
    """The camera at the rate that suits the tip's way through its view best, and those frames.

    toward : what it is aimed at [m], and how it faces.
    """
    best: tuple[Camera, NDArray[np.int64]] | None = None
    for speed in rates:
        camera = stand(*toward, speed, name)
        frames = frames_in_view(camera, path, peak, offset)
        if best is None or abs(frames.size - 60) < abs(best[1].size - 60):
            best = (camera, frames)
        if FRAMES[0] <= frames.size <= FRAMES[1]:
            break
    assert best is not None
    camera, frames = best
    if frames.size > FRAMES[1]:
        middle = frame_at(camera.rate, np.array(peak), offset)
        frames = frames[np.argsort(np.abs(frames - middle), kind="stable")[: FRAMES[1]]]
        frames = np.sort(frames)
    return camera, frames


def read_camera(
    path: TrueMotion,
    facing: Array,
    name: str,
    wishes: Wishes,
    peak: float,
    rng: np.random.Generator,
    rates: tuple[float, ...] = CAMERA_RATES,
) -> tuple[Camera, dict[str, float | None], float]:
    """One camera aimed at the crack, and its truth.

    The camera holds its track of the tip; then its true clock and registration, and its clock's
    true drift.

    peak : [s], when the crack happens. rates : (R,) [Hz], what cameras can do.
    """
    tip, rate = path.position[:, -1], path.velocity[:, -1]
    aim = interpolate_tip(path.time, tip, rate, np.array([peak]))[0]
    aim = aim + rng.normal(0.0, 0.03, 3).clip(-0.08, 0.08)
    sd, drift = 2e-3, float(rng.normal(0.0, 5e-6))
    stated_offset = float(np.round(max(peak - rng.uniform(0.02, 0.05), 0.005), 3))
    offset = stated_offset + float(rng.normal(0.0, 0.8 * sd))
    shift = rng.normal(0.0, 2.0, 2)
    camera, frames = _at_best_rate(path, (aim, facing), name, peak, offset, rates)
    frames = frames[rng.random(frames.size) > 0.02]
    times = frame_time(camera.rate, frames, offset, drift)
    uv = exposed(camera, times, lambda t: interpolate_tip(path.time, tip, rate, t))
    uv = uv + shift + rng.normal(0.0, camera.sd, uv.shape)
    flashes = np.empty(0, dtype=np.int64)
    if wishes.flashes:
        samples = np.arange(0, path.time[-1], 1 / MARKER_RATE)
        flashes = flash_frames(camera.rate, samples, int(0.1 * camera.rate), offset, drift)
    stated = Clock(stated_offset, sd, 5e-6)
    if wishes.clock_wrong:
        stated = Clock(offset + wishes.clock_wrong, 1e-4, 5e-6)
    camera = replace(
        camera,
        clock=stated,
        registration_sd=2.0,
        frame=frames,
        station=np.full(frames.size, path.station[-1]),
        uv=uv,
        point_sd=np.full(frames.size, camera.sd),
        flashes=flashes,
    )
    found: dict[str, float | None] = {
        f"clock_offset:{name}": offset,
        f"registration_u:{name}": float(shift[0]),
        f"registration_v:{name}": float(shift[1]),
    }
    return camera, found, drift
