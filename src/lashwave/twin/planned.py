"""A set-up that is not built yet, watching a throw that is expected."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lashwave.instruments import MarkerRig, exposed, frame_time, marker_reading
from lashwave.quantities import (
    TRIAL_GRAVITY,
    Air,
    Array,
    BenchPlan,
    Camera,
    Clock,
    Line,
    Markers,
    PlannedMarkers,
    PlannedView,
    Trial,
)
from lashwave.twin.bench import simulate_path
from lashwave.twin.throw_scene import Lash
from lashwave.twin.throws import draw_throw
from lashwave.twin.truth import TrueMotion
from lashwave.twin.views import frames_in_view, interpolate_tip, stand

if TYPE_CHECKING:
    import xarray as xr

ON_GRIP = (0.2, 0.85)
"""Stations of the grip's own markers, over its length."""


@dataclass(frozen=True)
class Planned:
    """A throw that is expected."""

    motion: TrueMotion
    line: Line
    """As it is measured."""
    air: Air

    @property
    def peak(self) -> float:
        """When its tip is fastest [s]."""
        speed = np.linalg.norm(self.motion.velocity[:, -1], axis=-1)
        return float(self.motion.time[int(speed.argmax())])

    def places(self, times: Array, station: Array) -> Array:
        """Places (K, S, 3) [m] at times (K,) [s] of stations (S,) [m]."""
        return self.motion.at(times, station)[0]


def stations(markers: PlannedMarkers, line: Line) -> Array:
    """(L,) [m], of the markers on grip and line."""
    grip = line.handle_length
    share = np.linspace(0.0, 1.0, markers.count + 1)[1:] ** markers.crowd
    on_grip = [share * grip for share in ON_GRIP] if grip > 0.0 else []
    return np.concatenate([on_grip, grip + (line.length - markers.last - grip) * share])


def expected(seed: int, markers: PlannedMarkers | None = None) -> Planned:
    """The bench's own throw of a seed, its line carrying these markers, else those of its own.

    Some half a minute.
    """
    scene = draw_throw(seed)
    if markers is not None:
        where = stations(markers, scene.lash.true)
        lash = Lash(
            scene.lash.true, scene.lash.stated, where, where, markers.station_sd, markers.mass,
            markers.diameter,
        )  # fmt: skip
        scene = replace(scene, lash=lash)
    return Planned(simulate_path(scene), scene.lash.stated, scene.air)


def as_found(motion: xr.Dataset, line: Line, air: Air) -> Planned:
    """A throw that was reconstructed, as motion.nc has it, taken for the next one."""
    place, speed, force = (motion[n].values for n in ("position", "velocity", "acceleration"))
    count = place.shape[0]
    none = np.full(count, np.nan)
    return Planned(
        TrueMotion(
            motion["time"].values, motion["station"].values, place, speed, force,
            np.full((count, place.shape[1] - 1), np.nan), np.full((count, 3), np.nan), none, none,
        ),
        line, air,
    )  # fmt: skip


def watched(
    throw: Planned, plan: BenchPlan, seed: int | None, span: tuple[float, float] | None = None
) -> Trial:
    """What a set-up would record of a throw; another seed, other noise.

    seed : None: clocks, pictures and stations are as stated, as `estimate.foreseen` wants them.
    span : of the record [s], before and after the peak; None: from the motion's first time.
    """
    rng, off = np.random.default_rng([seed or 0, 21]), float(seed is not None)
    first, last = throw.motion.time[0], throw.motion.time[-1]
    if span is not None:
        first, last = max(first, throw.peak - span[0]), min(last, throw.peak + span[1])
    step = 1.0 / plan.markers.rate
    times = np.arange(np.ceil(first / step - 1e-9), np.floor(last / step + 1e-9) + 1) * step
    cameras = [
        _filmed(throw, view, f"view-{k + 1}", (first, last), rng, off)
        for k, view in enumerate(plan.views)
    ]
    return Trial(
        name="planned" if seed is None else f"planned-{seed}",
        line=throw.line,
        markers=_followed(throw, plan.markers, times, rng, off),
        cameras=tuple(cameras),
        air=throw.air,
        gravity=np.array(TRIAL_GRAVITY),
    )


def _followed(
    throw: Planned, markers: PlannedMarkers, times: Array, rng: np.random.Generator, off: float
) -> Markers:
    stated = stations(markers, throw.line)
    on_line = stated > throw.line.handle_length
    true = stated + off * markers.station_sd * rng.standard_normal(stated.size)
    place, velocity = throw.motion.at(times, np.clip(true, 0.0, throw.line.length - 1e-3))
    speed = np.linalg.norm(velocity, axis=-1)
    rig = MarkerRig(sd=markers.sd, missing=markers.missing, loss_speed=markers.loss_speed)
    seen = marker_reading(times, place, speed, rig, rng, np.zeros(speed.shape, dtype=bool))
    names = [f"M{i + 1:02d}" for i in range(int(on_line.sum()))]
    return Markers(
        time=times, labels=(*(f"G{i + 1}" for i in range(int((~on_line).sum()))), *names),
        position=seen.position, sd=np.full(speed.shape, markers.sd), station=stated,
        mass=markers.mass, diameter=markers.diameter, station_sd=markers.station_sd,
    )  # fmt: skip


def _filmed(
    throw: Planned, view: PlannedView, name: str, span: tuple[float, float],
    rng: np.random.Generator, off: float,
) -> Camera:  # fmt: skip
    motion, peak = throw.motion, throw.peak
    tip, rate = motion.position[:, -1], motion.velocity[:, -1]
    aim, ahead = interpolate_tip(motion.time, tip, rate, np.array([peak]))[0], _ahead(throw)
    side = np.array([-ahead[1], ahead[0], 0.0])
    facing = np.cos(view.angle) * side + np.sin(view.angle) * ahead
    camera = stand(aim + view.beside * ahead, facing, view.rate, name, (view.width, view.pixels))
    stated = float(np.round(peak - 0.03, 3))
    offset = stated + off * view.clock_sd * float(rng.standard_normal())
    frames = frames_in_view(camera, motion, peak, offset)
    when = frame_time(view.rate, frames, offset)
    frames = frames[(when > span[0]) & (when < span[1])]
    if frames.size > view.frames:
        near = np.argsort(np.abs(frame_time(view.rate, frames, offset) - peak), kind="stable")
        frames = np.sort(frames[near[: view.frames]])
    when = frame_time(view.rate, frames, offset)
    uv = exposed(camera, when, lambda t: interpolate_tip(motion.time, tip, rate, t))
    uv = uv + off * view.registration_sd * rng.standard_normal(2)
    uv = uv + view.sd * rng.standard_normal(uv.shape)
    return replace(
        camera, clock=Clock(stated, view.clock_sd, 5e-6), sd=view.sd,
        registration_sd=view.registration_sd, frame=frames,
        station=np.full(frames.size, throw.line.length), uv=uv,
        point_sd=np.full(frames.size, view.sd),
    )  # fmt: skip


def _ahead(throw: Planned) -> Array:
    """Level direction (3,) in which the tip flies at its peak."""
    motion = throw.motion
    way = motion.velocity[int(np.argmin(np.abs(motion.time - throw.peak))), -1] * [1.0, 1.0, 0.0]
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))
