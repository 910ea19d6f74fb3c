"""A camera's clock from the motion that the markers give: scanned before the camera is let in.

Where strobe flashes could be this marker sample or that one, the ways are followed and weighed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
MOST = 4
"""Ways that are followed at most."""
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


@dataclass(frozen=True)
class FlashChoice:
    """Ways to pair a camera's strobe flashes with marker samples that the markers leave open.

    Without flashes, places of its clock about the one that the markers' motion fits best. That
    motion fits the first best.
    """

    camera: str
    column: int
    """Of its clock's offset among the shared parameters."""
    offset: Array
    """(I,) [s], by which each fits the motion best."""
    mean: Array
    """(I,) [s], where the flashes put it then, and `sd`: to what deviation."""
    sd: Array
    told: bool = True
    """Whether flashes make the ways; else the motion alone does, and they may turn out as one."""

    def take(self, setup: FitSetup, i: int) -> None:
        """The i-th as what is known of the clock beforehand."""
        setup.shared.mean[self.column], setup.shared.sd[self.column] = self.mean[i], self.sd[i]

    def at(self, path: Path, i: int) -> Path:
        """The path with the i-th way's clock."""
        shared = path.shared.copy()
        shared[self.column] = self.offset[i]
        return replace(path, shared=shared)


def scanned(setup: FitSetup, path: Path) -> tuple[Path, tuple[FlashChoice, ...]]:
    """The path with every camera's clock offset set by a scan against its own motion.

    Where flashes bound the offset, the parameter's prior is narrowed to the interval chosen. Where
    the motion that the markers give does not tell which flash is which sample, the ways that fit it
    about as well come back.
    """
    shared = path.shared.copy()
    choices = []
    for camera in setup.trial.cameras:
        if camera.frame.size == 0:
            continue
        intervals = allowed(setup, camera)
        grids = [np.linspace(a, b, max(2, int((b - a) / SCAN_STEP) + 1)) for a, b in intervals]
        misfits = np.split(
            _misfit(setup, camera, path, np.concatenate(grids)),
            np.cumsum([grid.size for grid in grids])[:-1],
        )
        column = setup.shared.index(f"clock_offset:{camera.name}")
        least = np.array([misfit.min() for misfit in misfits])
        best = np.array([g[m.argmin()] for g, m in zip(grids, misfits, strict=True)])
        shared[column] = best[least.argmin()]
        if camera.flashes.size >= 2:
            order = np.argsort(least)
            alike = order[least[order] <= ALIKE * least[order[0]] + camera.sd][:MOST]
            soft = FLASH_SD[int(_sweep(camera, setup.trial.markers.time) >= SWEPT)] / camera.rate
            sd = np.hypot(np.ptp(intervals[alike], axis=1) / np.sqrt(12), soft)
            choice = FlashChoice(
                camera.name, column, best[alike], intervals[alike].mean(axis=1),
                np.minimum(camera.clock.offset_sd, sd),
            )  # fmt: skip
            choice.take(setup, 0)
            choices += [choice] if alike.size > 1 else []
        elif (places := _places(camera, grids[0], misfits[0])).size > 1:
            stated = np.full(places.size, camera.clock.offset)
            sd = np.full(places.size, camera.clock.offset_sd)
            choices.append(FlashChoice(camera.name, column, places, stated, sd, told=False))
    return replace(path, shared=shared), tuple(choices)


def _places(camera: Camera, offset: Array, misfit: Array) -> Array:
    """(I,) [s], the offset at which the misfit (F,) [px] along offsets (F,) [s] is least, and those
    on either side at which it no longer could be it, where they are half a frame away or more.

    From such a side the clock goes back as the camera is let in, unless it fits elsewhere as well.
    """
    best = int(misfit.argmin())
    worse = np.flatnonzero(misfit > ALIKE * misfit[best] + camera.sd)
    sides = [*worse[worse < best][-1:], *worse[worse > best][:1]]
    far = [k for k in sides if abs(offset[k] - offset[best]) >= 0.5 / camera.rate]
    return np.asarray(offset[[best, *far]])


def _sweep(camera: Camera, samples: Array) -> float:
    """Frames through which the phases of a camera's flashes move from the first to the last."""
    times = camera.strobe(samples)
    ratio = camera.rate * float(times[-1] - times[0]) / (times.size - 1)
    return float(abs(ratio - round(ratio)) * np.ptp(camera.counted(camera.flashes)) / ratio)


SURE = 0.99
"""Probability of a way from which on no other is told."""


def probabilities(cost: Array) -> Array:
    """(I,) [1], of ways whose least costs (I,) [1], twice a logarithm of likelihood, are these.

    All have the same rows and, but for the path, the same deviations: what the motion leaves open
    about each is left out as alike.
    """
    weight = np.exp(-0.5 * (cost - cost.min()))
    return np.asarray(weight / weight.sum())


def clock_caution(choice: FlashChoice, share: Array) -> tuple[str, ...]:
    """What to say of ways with these probabilities (I,) [1]: nothing where one is sure."""
    order = np.argsort(-share)
    if share[order[0]] >= SURE or not choice.told:
        return ()
    named = ", ".join(f"{choice.mean[i]:.6f} s (probability {share[i]:.2g})" for i in order)
    return (
        f"camera {choice.camera}: which strobe flash is which marker sample is not settled by all "
        f"sightings together; clock offsets: {named}. The first was taken, and every answer of the "
        "tip hangs on it: state the clock better, or an event that both saw",
    )
