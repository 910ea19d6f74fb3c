"""What the figures draw from: the fit and its answers, laid side by side once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import Answer, Array, Fit, Trial

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class Sighted:
    """The points of one camera, put on the lab clock."""

    name: str
    time: Array
    """(P,) [s]"""
    station: Array
    """(P,) [m]"""
    weight: Array
    """(P,)"""
    residual: Array
    """(P, 2) [sd]"""
    flashes: Array
    """(F,) [s]"""


@dataclass(frozen=True)
class ReportScene:
    """Arrays ready to be drawn. K times, S stations."""

    trial: Trial
    fit: Fit
    speed: Array
    """(K, S) [m/s]"""
    tip_time: Array
    """(Q,) [s]"""
    tip_speed: Array
    """(Q,) [m/s]"""
    tip_low: Array
    tip_high: Array
    sound: float | None
    """Speed of sound [m/s]."""
    peak_time: float
    """[s]"""
    window: tuple[float, float]
    """[s], what the close-up panels show."""
    cameras: tuple[Sighted, ...]
    curves: dict[str, tuple[Array, Array]] = field(default_factory=dict)
    """Lists over time, each with its times [s]."""

    @property
    def record(self) -> tuple[float, float]:
        """First and last time of the motion [s]."""
        return float(self.fit.time[0]), float(self.fit.time[-1])

    @property
    def has_close_up(self) -> bool:
        """Whether the close-up shows clearly less than the whole record."""
        first, last = self.record
        return self.window[1] - self.window[0] < 0.6 * (last - first)

    @property
    def windows(self) -> list[tuple[float, float]]:
        """The whole record and, where it differs, the close-up."""
        return [self.record, self.window] if self.has_close_up else [self.record]


def around_peak(time: Array, speed: Array, least: float = 4e-3) -> tuple[float, float]:
    """Begin and end [s] of the span about the largest of speeds (T,) [m/s].

    It stays over half of the largest there; half as wide again at either side, at least `least`
    seconds each way, inside the record.
    """
    top = int(np.argmax(speed))
    fast = speed >= 0.5 * speed[top]
    slow_before = np.flatnonzero(~fast[:top])
    slow_after = np.flatnonzero(~fast[top:])
    first = time[slow_before[-1]] if slow_before.size else time[0]
    last = time[top + slow_after[0]] if slow_after.size else time[-1]
    pad = 0.5 * (last - first)
    low = min(first - pad, time[top] - least)
    high = max(last + pad, time[top] + least)
    return float(max(low, time[0])), float(min(high, time[-1]))


def _tip(fit: Fit, lists: xr.Dataset) -> tuple[Array, Array, Array, Array]:
    """Tip speed over time with its 95 % band; from the fit's own spread where no list has it."""
    if {"tip_speed", "tip_speed_low", "tip_speed_high"} <= set(lists.variables):
        names = ("tip_speed", "tip_speed_low", "tip_speed_high")
        value, low, high = (np.asarray(lists[name].values, dtype=float) for name in names)
        return np.asarray(lists[lists["tip_speed"].dims[0]].values, dtype=float), value, low, high
    velocity = fit.velocity[:, -1]
    value = np.linalg.norm(velocity, axis=-1)
    direction = velocity / np.maximum(value, 1e-9)[:, None]
    sd = np.sqrt(np.sum((direction * fit.velocity_sd[:, -1]) ** 2, axis=-1))
    return fit.time, value, np.maximum(value - 1.96 * sd, 0.0), value + 1.96 * sd


def _sighted(trial: Trial, fit: Fit) -> tuple[Sighted, ...]:
    """Every camera's points at their lab time by the fitted clock."""
    found = []
    for camera in trial.cameras:
        offset = fit.shared.get(f"clock_offset:{camera.name}", (camera.clock.offset, 0.0))[0]
        drift = fit.shared.get(f"clock_drift:{camera.name}", (0.0, 0.0))[0]
        scale = (1.0 + drift) / camera.rate
        count = camera.frame.size
        found.append(
            Sighted(
                name=camera.name,
                time=offset + scale * camera.counted(camera.frame),
                station=np.asarray(camera.station, dtype=float),
                weight=fit.residuals.camera_weight.get(camera.name, np.ones(count)),
                residual=fit.residuals.camera.get(camera.name, np.full((count, 2), np.nan)),
                flashes=offset + scale * camera.counted(camera.flashes),
            )
        )
    return tuple(found)


def gather(trial: Trial, fit: Fit, answers: dict[str, Answer], lists: xr.Dataset) -> ReportScene:
    """Everything the figures need, from what was measured, fitted and answered.

    Every variable of `lists` (as in `answers.nc`) is optional.
    """
    tip_time, tip_speed, tip_low, tip_high = _tip(fit, lists)
    curves = {}
    for name, values in lists.data_vars.items():
        if values.dims == ("time",) and "time" in lists.coords:
            along = lists["time"].values
            curves[str(name)] = (np.asarray(along, float), np.asarray(values.values, float))
    stated = answers.get("peak_tip_speed_time")
    peak = float(tip_time[int(np.nanargmax(tip_speed))])
    if stated is not None and stated.value is not None:
        peak = stated.value
    sound = answers.get("speed_of_sound")
    return ReportScene(
        trial=trial,
        fit=fit,
        speed=np.linalg.norm(fit.velocity, axis=-1),
        tip_time=tip_time,
        tip_speed=tip_speed,
        tip_low=tip_low,
        tip_high=tip_high,
        sound=None if sound is None else sound.value,
        peak_time=peak,
        window=around_peak(tip_time, np.nan_to_num(tip_speed)),
        cameras=_sighted(trial, fit),
        curves=curves,
    )
