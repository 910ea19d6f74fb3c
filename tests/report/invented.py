"""An invented throw for the report's tests: a fold that runs from the grip to the tip.

The line lies along x up to the fold's station, turns in a half circle, and comes back above. Where
the energy is kept and the mass falls in proportion to what is left, the fold's distance from the
tip falls as the square root of the time left (folded line, held end fixed; cf. Wong and Yasui,
Am. J. Phys. 74 (2006) 490).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws, Fit, Residuals, Withheld
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Trial

LENGTH, RADIUS, CRACK, LAST = 2.4, 0.06, 0.42, 0.6


def place(time: Array, station: Array) -> Array:
    """(T, S, 3) [m]"""
    left = np.clip(1 - time / CRACK, 2.2e-4, 1.0)
    fold = (LENGTH - np.pi * RADIUS) * (1 - left**0.5)[:, None]
    s = station[None, :]
    turn = np.clip((s - fold) / RADIUS, 0, np.pi)
    back = np.clip(s - fold - np.pi * RADIUS, 0, None)
    x = np.minimum(s, fold) + RADIUS * np.sin(turn) - back
    z = 1.2 + RADIUS * (1 - np.cos(turn))
    late = np.clip(time - CRACK, 0, None)[:, None]
    return np.stack([x, 0.08 * np.sin(3 * x) + 0.1 * s * late, z - 2.0 * late**2 * s], axis=-1)


def trial(seed: int = 1, rate: float = 500.0, cameras: bool = True) -> Trial:
    """A trial with twelve markers on the line, two on the grip, and one camera."""
    rng = np.random.default_rng(seed)
    station = np.array([0.05, *np.linspace(0.2, 2.25, 11), np.nan, np.nan])
    time = np.arange(0, LAST + 1e-9, 1 / rate)
    position = place(time, np.nan_to_num(station)) + 3e-4 * rng.normal(size=(time.size, 14, 3))
    late = (time > CRACK - 0.02) & (time < CRACK + 0.006)
    lost = rng.random((time.size, 14)) < 0.03
    lost |= late[:, None] & (np.nan_to_num(station) > 1.6)
    position[lost] = np.nan
    markers = Markers(
        time=time,
        labels=(*(f"M{i:02d}" for i in range(1, 13)), "H1", "H2"),
        position=position,
        sd=np.full((time.size, 14), 3e-4),
        station=station,
    )
    frame = np.arange(8360, 8440)
    camera = Camera(
        name="tip-view",
        rate=20e3,
        size=(1024, 1024),
        projection=np.eye(3, 4),
        clock=Clock(0.0, 2e-3, 5e-6),
        sd=0.4,
        frame=frame,
        station=np.full(frame.size, LENGTH),
        uv=np.zeros((frame.size, 2)),
        point_sd=np.full(frame.size, 0.4),
        flashes=np.arange(8360, 8440, 40),
    )
    line = Line(
        station=np.array([0.0, LENGTH]),
        diameter=np.array([8e-3, 1e-3]),
        linear_density=np.array([0.05, 0.002]),
        handle_length=0.15,
    )
    return Trial(
        name="bench-07",
        line=line,
        markers=markers,
        cameras=(camera,) if cameras else (),
        specimen="line C",
        thrower="arm 2",
        date="2026-05-04",
        hashes={"trial.toml": "0" * 64, "markers.csv": "1" * 64},
    )


def residuals(of: Trial, rng: np.random.Generator) -> Residuals:
    """White residuals, one in a hundred of them far off and distrusted."""
    shape = of.markers.position.shape
    marker = rng.normal(size=shape)
    weight = rng.uniform(0.6, 1.0, size=shape[:2])
    stray = rng.random(shape[:2]) < 0.01
    marker[stray] *= 5
    weight[stray] = 0.05
    gone = np.isnan(of.markers.position[..., 0])
    marker[gone], weight[gone] = np.nan, np.nan
    points = {c.name: rng.normal(size=(c.frame.size, 2)) for c in of.cameras}
    weights = {c.name: np.ones(c.frame.size) for c in of.cameras}
    return Residuals(marker, weight, points, weights, whiteness=0.03)


def fit(of: Trial, times: int = 300, stations: int = 80, draws: int = 8, seed: int = 2) -> Fit:
    """A fit that is the invented motion itself, with an invented spread."""
    rng = np.random.default_rng(seed)
    fine = CRACK + np.linspace(-0.02, 0.02, times - times // 2)
    time = np.unique(np.concatenate([np.linspace(0, LAST, times // 2), fine]))
    station = np.linspace(0, LENGTH, stations)
    position = place(time, station)
    step = 2e-5
    velocity = (place(time + step, station) - place(time - step, station)) / (2 * step)
    tangent = np.gradient(position, station, axis=1)
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    curvature = np.linalg.norm(np.gradient(tangent, station, axis=1), axis=-1)
    tension = np.broadcast_to(5 + 200 * np.exp(-(((time - CRACK) / 0.004) ** 2))[:, None], (
        time.size, stations)).copy()  # fmt: skip
    tension[:, station < of.line.handle_length] = np.nan
    sd = 1e-3 * (0.3 + station[None, :, None] * np.ones((time.size, 1, 3)))
    scale = 1 + 0.02 * rng.normal(size=(draws, 1, 1, 1))
    return Fit(
        time=time,
        station=station,
        position=position,
        position_sd=sd,
        velocity=velocity,
        velocity_sd=0.5 + 0.02 * np.abs(velocity),
        acceleration=np.zeros_like(position),
        curvature=curvature,
        curvature_sd=0.1 + 0.05 * curvature,
        tension=tension,
        tension_sd=0.05 * np.abs(tension),
        draws=Draws(
            time=time,
            station=station,
            position=np.broadcast_to(position, (draws, *position.shape)),
            velocity=velocity * scale,
            tension=np.broadcast_to(tension, (draws, *tension.shape)),
            hand_force=np.zeros((draws, time.size, 3)),
            hand_power=np.zeros((draws, time.size)),
            kinetic_energy=np.zeros((draws, time.size)),
            shared={},
        ),
        residuals=residuals(of, rng),
        shared={"clock_offset:tip-view": (1.2e-3, 6e-6)} if of.cameras else {},
        withheld=Withheld(
            label=np.array([0.4, 1.0, 1.6, 2.2]),
            count=np.array([250, 240, 230, 200]),
            rms=np.array([4e-4, 6e-4, 9e-4, 2.3e-3]),
            coverage=np.array([0.95, 0.94, 0.96, 0.91]),
        ),
        history=({"cost": 5321.0, "step": 0.4}, {"cost": 5210.2, "step": 0.01}),
    )


def answers(of: Fit, seed: int = 3) -> dict[str, Answer]:
    """Answers with the names of the contract; one of them has no value."""
    rng = np.random.default_rng(seed)

    def about(value: float, sd: float, unit: str, probability: float | None = None) -> Answer:
        return from_draws(value + sd * rng.normal(size=400), unit, probability)

    tip = np.linalg.norm(of.velocity[:, -1], axis=-1)
    top = int(np.argmax(tip))
    return {
        "speed_of_sound": about(344.9, 0.12, "m s-1"),
        "peak_tip_speed": about(float(tip[top]), 9.0, "m s-1"),
        "peak_tip_speed_time": about(float(of.time[top]), 2e-5, "s"),
        "peak_tip_mach": about(float(tip[top]) / 344.9, 0.03, "1"),
        "sonic_time": about(0.41963, 3e-5, "s", 0.998),
        "sonic_station": about(2.31, 0.012, "m", 0.998),
        "full_extension_time": Answer(None, "s", reason="the record ends before it"),
        "hand_work": about(12.3, 0.4, "J"),
        "peak_grip_tension": about(205.0, 8.0, "N"),
        "clock_offset:tip-view": about(1.2e-3, 6e-6, "s"),
        "drag_normal": about(1.04, 0.03, "1"),
        "an_answer_of_tomorrow": about(1.0, 0.1, "N m^2"),
    }


def lists(of: Fit) -> Any:
    """Lists over time as in `answers.nc`."""
    import xarray as xr

    tip = np.linalg.norm(of.velocity[:, -1], axis=-1)
    front = of.station[np.argmax(of.curvature, axis=1)]
    energy = 10 * np.clip(of.time / CRACK, 0, 1)
    return xr.Dataset(
        {
            "tip_speed": ("time", tip),
            "tip_speed_low": ("time", 0.96 * tip),
            "tip_speed_high": ("time", 1.04 * tip),
            "bend_station": ("time", front),
            "kinetic_energy": ("time", energy),
            "hand_power": ("time", np.gradient(energy, of.time)),
            "mach": (("time", "station"), np.linalg.norm(of.velocity, axis=-1) / 344.9),
        },
        coords={"time": of.time, "station": of.station},
    )


def plainest() -> tuple[Trial, Fit]:
    """A slow trial with no camera, no tension, nothing withheld, no history."""
    of = trial(cameras=False)
    found = fit(of, times=40, stations=12)
    slow = replace(
        found,
        velocity=0.02 * found.velocity,
        tension=np.full_like(found.tension, np.nan),
        withheld=None,
        history=(),
    )
    return of, slow
