"""The true motion of a scene on a fine grid, and the true answer to every question."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.mechanics import Trajectory, known_stiffness
from lashwave.quantities import GRIP_REACH, Array, Line, interpolate
from lashwave.twin.throw_scene import ThrowScene

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class TrueMotion:
    """A motion at K times and S = N + 1 nodes, whatever engine made it."""

    time: Array
    """(K,) [s]"""
    station: Array
    """(S,) [m]"""
    position: Array
    """(K, S, 3) [m]"""
    velocity: Array
    acceleration: Array
    tension: Array
    """(K, N) [N], of the links; nan on rigid ends."""
    hand_force: Array
    """(K, 3) [N]"""
    hand_power: Array
    """(K,) [W]"""
    kinetic: Array
    """(K,) [J]"""

    def at(self, times: Array, station: Array) -> tuple[Array, Array]:
        """Places [m] and velocities [m/s] (Q, M, 3) at times (Q,) of stations (M,)."""
        j = np.clip(np.searchsorted(self.station, station, side="right") - 1, 0, None)
        j = np.minimum(j, self.station.size - 2)
        share = ((station - self.station[j]) / np.diff(self.station)[j])[:, None]
        # Only the intervals that are asked for: a frame needs two of some thousand times.
        ends = np.searchsorted(self.time, [np.min(times), np.max(times)], side="right")
        low = int(np.clip(ends[0] - 1, 0, self.time.size - 2))
        part = slice(low, max(int(ends[1]) + 1, low + 2))
        place = (1 - share) * self.position[part, j] + share * self.position[part, j + 1]
        speed = (1 - share) * self.velocity[part, j] + share * self.velocity[part, j + 1]
        return interpolate(self.time[part], place, speed, times)


@dataclass(frozen=True)
class Truth:
    """What is true of a trial."""

    motion: xr.Dataset
    """As `motion.nc`, on the twin's own nodes and times, without standard deviations."""
    answers: dict[str, float | None]
    """Every name of `summary.json` that has a true value, SI; None for an event that was not."""
    path: TrueMotion
    scene: ThrowScene
    notes: dict[str, Any] = field(default_factory=dict)
    """Which samples are ghosts, which are swapped; true places of the markers; clocks' drifts."""


def of_trajectory(run: Trajectory, station: Array) -> TrueMotion:
    """The project's own simulator as a path.

    station : (N + 1,) [m] of the simulator's nodes.
    """
    return TrueMotion(
        run.time, station, run.position, run.velocity, run.acceleration, run.tension,
        run.hand_force, run.hand_power, run.accounts.kinetic,
    )  # fmt: skip


def output_times(duration: float, peak: float | None) -> Array:
    """(T,) [s]: every marker sample of 500 Hz, finer toward the peak: 5 us within 1.5 ms of it."""
    pieces: list[Array] = [np.arange(0, int(duration * 2000) + 1) / 2000.0]
    if peak is not None:
        for reach, step in ((0.04, 1e-4), (0.012, 2e-5), (1.5e-3, 5e-6)):
            count = int(reach / step)
            pieces.append(np.asarray(peak + np.arange(-count, count + 1) * step))
    times = np.unique(np.round(np.concatenate(pieces), 9))
    return np.asarray(times[(times >= 0) & (times <= duration)])


def curvature(station: Array, position: Array) -> Array:
    """(K, S) [1/m]: change of direction over the mean of the two links; 0 at both ends."""
    length = np.diff(station)
    tangent = np.diff(position, axis=1) / length[:, None]
    bend = np.zeros(position.shape[:2])
    bend[:, 1:-1] = np.linalg.norm(np.diff(tangent, axis=1), axis=-1) / (
        0.5 * (length[1:] + length[:-1])
    )
    return bend


def node_tension(station: Array, tension: Array) -> Array:
    """(K, S) [N] at the nodes, linear between the middles of links; nan on a rigid grip."""
    middle = 0.5 * (station[1:] + station[:-1])
    live = np.isfinite(tension[0])
    first = int(np.argmax(live))
    out = np.full((tension.shape[0], station.size), np.nan)
    x, y = middle[live], tension[:, live]
    for j in range(first, station.size):
        i = int(np.clip(np.searchsorted(x, station[j]) - 1, 0, x.size - 2))
        share = (station[j] - x[i]) / (x[i + 1] - x[i])
        out[:, j] = (1 - share) * y[:, i] + share * y[:, i + 1]
    return out


def pull_behind_grip(path: TrueMotion, grip_end: float) -> Array:
    """(K,) [N], tension `GRIP_REACH` after the grip, linear between the middles of links."""
    middle = 0.5 * (path.station[1:] + path.station[:-1])
    known = np.isfinite(path.tension[0])
    at = grip_end + GRIP_REACH
    return np.array([np.interp(at, middle[known], row[known]) for row in path.tension])


def dataset(path: TrueMotion) -> xr.Dataset:
    """The path as `motion.nc` (`docs/trial-folder.md`)."""
    import xarray as xr

    axes = ("time", "station", "axis")
    return xr.Dataset(
        {
            "position": (axes, path.position, {"units": "m"}),
            "velocity": (axes, path.velocity, {"units": "m s-1"}),
            "acceleration": (axes, path.acceleration, {"units": "m s-2"}),
            "curvature": (axes[:2], curvature(path.station, path.position), {"units": "m-1"}),
            "tension": (axes[:2], node_tension(path.station, path.tension), {"units": "N"}),
        },
        coords={"time": path.time, "station": path.station, "axis": ["x", "y", "z"]},
    )


def _hundred(path: TrueMotion, top: float) -> float:
    """Largest distance between the tip's places 100 us apart, over 100 us."""
    fast = path.time[np.linalg.norm(path.velocity[:, -1], axis=-1) > 0.6 * top]
    starts = np.arange(fast.min() - 1.2e-4, fast.max() + 1e-6, 5e-6)
    starts = starts[(starts >= path.time[0]) & (starts + 1e-4 <= path.time[-1])]
    tip, rate = path.position[:, -1], path.velocity[:, -1]
    places = [interpolate(path.time, tip, rate, starts + d)[0] for d in (0.0, 1e-4)]
    return float(np.linalg.norm(places[1] - places[0], axis=-1).max() / 1e-4)


def _sonic(path: TrueMotion, speed: Array, sound: float) -> tuple[float | None, float | None]:
    """First moment at which any station moves at the speed of sound, and that station."""
    reach = speed.max(axis=1) >= sound
    if not reach.any():
        return None, None
    k = int(np.argmax(reach))
    if k == 0:
        return float(path.time[0]), float(path.station[int(speed[0].argmax())])
    rise = (sound - speed[k - 1]) / np.maximum(speed[k] - speed[k - 1], 1e-12)
    rise = np.where(speed[k] >= sound, rise, np.inf)
    j = int(rise.argmin())
    step = path.time[k] - path.time[k - 1]
    return float(path.time[k - 1] + rise[j] * step), float(path.station[j])


def _last_low(reach: Array, peak: int) -> int:
    """Index of the last minimum up to `peak` that is no mere ripple: 1 % of the line deep."""
    from scipy.signal import find_peaks

    found, _ = find_peaks(-reach, prominence=0.01 * reach.max())
    found = found[found <= peak]
    return int(found[-1]) if found.size else int(reach[: peak + 1].argmin())


def answers(path: TrueMotion, scene: ThrowScene, sound: float) -> dict[str, float | None]:
    """The motion's true answers, as `docs/answers.md` defines each."""
    speed = np.linalg.norm(path.velocity, axis=-1)
    tip = speed[:, -1]
    peak = int(tip.argmax())
    sonic_time, sonic_station = _sonic(path, speed, sound)
    reach = np.linalg.norm(path.position[:, -1] - path.position[:, 0], axis=-1)
    low = _last_low(reach, peak)
    high = low + int(reach[low:].argmax())
    pull = pull_behind_grip(path, scene.lash.true.handle_length)[: peak + 1]
    extension = None
    if sonic_time is not None:
        extension = float(np.interp(sonic_time, path.time, reach) / path.station[-1])
    impulse = np.trapezoid(path.hand_force, path.time, axis=0)
    return {
        "speed_of_sound": sound,
        "peak_tip_speed": float(tip[peak]),
        "peak_tip_speed_time": float(path.time[peak]),
        "peak_tip_mach": float(tip[peak] / sound),
        "peak_tip_speed_100us": _hundred(path, float(tip[peak])),
        "peak_speed": float(speed.max()),
        "sonic_time": sonic_time,
        "sonic_station": sonic_station,
        "extension_at_sonic": extension,
        "full_extension_time": None if high == reach.size - 1 else float(path.time[high]),
        "peak_grip_tension": float(np.nanmax(pull)),
        "hand_impulse": float(np.linalg.norm(impulse)),
        "hand_work": float(np.trapezoid(path.hand_power, path.time)),
        "peak_kinetic_energy": float(path.kinetic.max()),
    }


def stiffness_over(true: Line, stated: Line) -> float:
    """True bending stiffness over what is known from a measured line, its table or its tests.

    It is the mean of logarithms over the outer half: that decides how the line folds.
    """
    assert true.bending_stiffness is not None
    ratio = np.log(true.bending_stiffness / known_stiffness(stated).value)
    return float(np.exp(ratio[ratio.size // 2 :].mean()))


def law_answers(scene: ThrowScene, damping_stated: float = 2e-3) -> dict[str, float | None]:
    """The shared parameters' true values, fitted over stated."""
    law, lash = scene.law, scene.lash
    found: dict[str, float | None] = {
        "drag_normal": law.drag_normal,
        "drag_tangential": law.drag_tangential,
        "damping_time": law.damping_time / damping_stated,
    }
    if lash.true.tuft is not None:
        found["drag_tuft"] = law.drag_tuft
    if lash.true.bending_stiffness is not None:
        found["drag_slope"] = 0.0 if lash.true.ends == "free" else None
        found["stiffness_scale"] = law.stiffness_scale * stiffness_over(lash.true, lash.stated)
    return found
