"""When a wavefront of a moving source reaches a viewing ray.

A sphere's silhouette is where viewing rays touch it, so a ray is reached when its distance from
the source's place is the radius: in parallel light a circle in the image. The distance is taken
at the time of emission, never of reception (Pierce, Acoustics, 1981, ch. 9; check e13).

`burst`: one short emission of station s at t0. `envelope`: emission all the time; the spheres
pile up where dt/dtau = 1 - M_r = 0 (M_r the Mach number toward the ray), the Mach cone of a steady
source (sin mu = 1/M, check e12). That front is the least arrival time over the span in which
the station is supersonic across the view. Range of both: fronts so weak that they run at the
speed of sound (1 kPa: 0.4 % faster, check e9), air at rest and of one temperature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments.rays import Rays
from lashwave.quantities.motion import interpolate

Array = NDArray[np.float64]

FINE = 121
"""Moments of emission looked at in the supersonic span; the least of them is refined by a
parabola."""


@dataclass(frozen=True)
class Path:
    """One draw of the motion."""

    time: Array
    """(K,) [s]"""
    station: Array
    """(S,) [m]"""
    position: Array
    """(K, S, 3) [m]"""
    velocity: Array
    """(K, S, 3) [m/s]"""

    def at(self, station: float, times: Array) -> tuple[Array, Array]:
        """Place and velocity (Q, 3) of a station, held at the ends of line and record."""
        s = float(np.clip(station, self.station[0], self.station[-1]))
        i = int(np.clip(np.searchsorted(self.station, s, "right") - 1, 0, self.station.size - 2))
        w = (s - self.station[i]) / (self.station[i + 1] - self.station[i])
        times = np.clip(times, self.time[0], self.time[-1])
        low = max(int(np.searchsorted(self.time, times.min(), "right")) - 2, 0)
        high = int(np.searchsorted(self.time, times.max(), "left")) + 2
        part = (slice(low, high), slice(i, i + 2))
        x, v = interpolate(self.time[low:high], self.position[part], self.velocity[part], times)
        return (1 - w) * x[:, 0] + w * x[:, 1], (1 - w) * v[:, 0] + w * v[:, 1]


def sonic_span(path: Path, station: float, across: Array, sound: float) -> tuple[float, float]:
    """First moment at which a station moves at the speed of sound across the view, and the last.

    Parameters
    ----------
    across : (2, 3), two unit vectors across the view.

    Returns
    -------
    start, end : [s], about the station's fastest moment; nan where it stays subsonic.
    """
    speed = np.linalg.norm(path.at(station, path.time)[1] @ across.T, axis=1)
    peak = int(speed.argmax())
    if speed[peak] <= sound:
        return np.nan, np.nan
    slow = speed <= sound
    before, after = np.flatnonzero(slow[:peak]), peak + np.flatnonzero(slow[peak:])

    def crossing(a: int, b: int) -> float:
        share = (sound - speed[a]) / (speed[b] - speed[a])
        return float(path.time[a] + share * (path.time[b] - path.time[a]))

    start = crossing(before[-1], before[-1] + 1) if before.size else float(path.time[0])
    end = crossing(after[0] - 1, after[0]) if after.size else float(path.time[-1])
    return start, end


def burst_arrival(rays: Rays, place: Array, start: float, sound: float) -> Array:
    """(N,) [s]: when a sphere sent from `place` (3,) at `start` [s] reaches each ray."""
    return start + rays.distance(place) / sound


def envelope_arrival(rays: Rays, times: Array, places: Array, sound: float) -> Array:
    """(N,) [s]: the least tau + R / c over emission times (Q,) and places (Q, 3).

    The parabola through the least three makes it smooth in the path.
    """
    arrive = times[:, None] + rays.distance(places[:, None]) / sound
    at = np.clip(arrive.argmin(axis=0), 1, times.size - 2)
    n = np.arange(at.size)
    a, b, c = arrive[at - 1, n], arrive[at, n], arrive[at + 1, n]
    bend = a - 2 * b + c
    shift = np.clip(0.5 * (a - c) / np.where(bend > 0.0, bend, np.inf), -1.0, 1.0)
    return np.asarray(b - 0.25 * (a - c) * shift)
