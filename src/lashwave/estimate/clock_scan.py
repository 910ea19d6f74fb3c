"""A camera's clock from the motion that the markers give: scanned before the camera is let in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import station_nodes
from lashwave.instruments import flash_bound, frame_time, project
from lashwave.quantities import Array, Camera

SCAN_STEP = 10e-6
"""[s]"""
ALIKE = 2.0
"""A candidate whose misfit is within this of the best's could be it: a marker period off, the tip
is as far off as it moves in one."""
MOST_NAMED = 4
FLASH_SD = (0.2, 0.05)
"""Of a frame: a flash that lasts, near the end of one, is brightest in either. In two rendered
throws whose flashes kept step (seeds 241, 242) the frames' bounds, 0.01 of a frame wide, were 0.23
and 0.22 off; so these throws are no test of it. The second where the flashes' phases sweep through
`SWEPT` of a frame, so that both its ends tell."""
SWEPT = 0.9
REACH = 4.0
"""Standard deviations of the stated clock that are searched."""


def allowed(setup: FitSetup, camera: Camera) -> Array:
    """(I, 2) [s], the stated offset's reach, cut to what the strobe's flashes allow."""
    clock = camera.clock
    window = (clock.offset - REACH * clock.offset_sd, clock.offset + REACH * clock.offset_sd)
    if camera.flashes.size < 2:
        return np.array([window])
    bound = flash_bound(
        camera.counted(camera.flashes),
        camera.rate,
        camera.strobe(setup.trial.markers.time),
        window,
        drift_sd=clock.drift_sd,
    )
    return bound.intervals if bound.intervals.size else np.array([window])


def _misfit(setup: FitSetup, camera: Camera, path: Path, offsets: Array) -> Array:
    """Mean clipped image distance [px] for each offset, the registration's shift taken out."""
    from scipy.interpolate import CubicSpline

    nodes, share = station_nodes(setup, camera.station)
    place = CubicSpline(path.time, path.node, axis=0)
    sd = max(float(np.median(camera.point_sd)), camera.registration_sd, 1.0)
    found = np.empty(offsets.size)
    counted = camera.counted(camera.frame)
    for i, offset in enumerate(offsets):
        times = np.clip(frame_time(camera.rate, counted, offset), path.time[0], path.time[-1])
        at = place(times)
        rows = np.arange(times.size)
        x = sum(at[rows, np.maximum(nodes[:, e], 0)] * share[:, e, None] for e in range(2))
        away = np.nan_to_num(project(camera, x) - camera.uv, nan=1e3)
        shift = np.clip(
            np.median(away, axis=0), -2 * camera.registration_sd, 2 * camera.registration_sd
        )
        off = np.linalg.norm(away - shift, axis=-1)
        found[i] = np.mean(np.minimum(off, 40 * sd))
    prior = (offsets - camera.clock.offset) / camera.clock.offset_sd
    return found + 0.05 * sd * prior**2


def scanned(setup: FitSetup, path: Path) -> tuple[Path, tuple[str, ...]]:
    """The path with every camera's clock offset set by a scan against its own motion; and warnings.

    Where flashes bound the offset, the parameter's prior is narrowed to the interval chosen. Where
    the motion that the markers give does not tell which flash is which sample, it says so.
    """
    shared = path.shared.copy()
    clock_warnings: list[str] = []
    for camera in setup.trial.cameras:
        if camera.frame.size == 0:
            continue
        intervals = allowed(setup, camera)
        grids = [np.linspace(a, b, max(2, int((b - a) / SCAN_STEP) + 1)) for a, b in intervals]
        offsets = np.concatenate(grids)
        misfit = _misfit(setup, camera, path, offsets)
        column = setup.shared.index(f"clock_offset:{camera.name}")
        shared[column] = offsets[np.argmin(misfit)]
        if camera.flashes.size >= 2:
            inside = (intervals[:, 0] <= shared[column]) & (shared[column] <= intervals[:, 1])
            low, high = intervals[np.argmax(inside)]
            setup.shared.mean[column] = 0.5 * (low + high)
            soft = FLASH_SD[int(_sweep(camera, setup.trial.markers.time) >= SWEPT)] / camera.rate
            bound_sd = float(np.hypot((high - low) / np.sqrt(12), soft))
            setup.shared.sd[column] = min(camera.clock.offset_sd, bound_sd)
            sizes = [grid.size for grid in grids]
            least = np.array([part.min() for part in np.split(misfit, np.cumsum(sizes)[:-1])])
            clock_warnings += _clock_warnings(camera, intervals, least)
    return replace(path, shared=shared), tuple(clock_warnings)


def _sweep(camera: Camera, samples: Array) -> float:
    """Frames through which the phases of a camera's flashes move from the first to the last."""
    times = camera.strobe(samples)
    ratio = camera.rate * float(times[-1] - times[0]) / (times.size - 1)
    return float(abs(ratio - round(ratio)) * np.ptp(camera.counted(camera.flashes)) / ratio)


def _clock_warnings(camera: Camera, intervals: Array, least: Array) -> list[str]:
    """A warning where intervals that the flashes allow fit the motion about as well as the best.

    intervals : (I, 2) [s]; least : (I,) [px], the least misfit in each.
    """
    order = np.argsort(least)
    alike = order[least[order] <= ALIKE * least[order[0]] + camera.sd]
    if alike.size < 2:
        return []
    named = ", ".join(
        f"{intervals[i].mean():.6f} s ({least[i]:.3g} px off)" for i in alike[:MOST_NAMED]
    )
    more = f" and {alike.size - MOST_NAMED} more" if alike.size > MOST_NAMED else ""
    return [
        f"camera {camera.name}: which strobe flash is which marker sample cannot be told by the "
        f"motion of the markers alone; clock offsets that fit alike: {named}{more}. The first was "
        "taken: state the clock better, or an event that both saw"
    ]
