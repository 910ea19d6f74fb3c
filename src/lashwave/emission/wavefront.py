"""When a wavefront of a moving source reaches a viewing ray.

A sphere's silhouette is where viewing rays touch it, so a ray is reached when its distance from
the source's place is the radius: in parallel light a circle in the image. The distance is taken
at the time of emission, never of reception (Pierce, Acoustics, 1981, ch. 9).

`burst`: one short emission of station s at t0. `envelope`: emission all the time; the spheres
pile up where dt/dtau = 1 - M_r = 0 (M_r the Mach number toward the ray), the Mach cone of a
steady source (sin mu = 1/M), sent while the station is supersonic across the view.
Range of both: fronts so weak that they run at the speed of sound (1 kPa: 0.4 % faster),
air at rest and of one temperature.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import Rays
from lashwave.quantities import Array, interpolate

FINE = 61
"""Moments of emission looked at in the supersonic span, before the least is refined."""


@dataclass(frozen=True)
class DrawnMotion:
    """One draw of the motion."""

    time: Array
    """(K,) [s]"""
    station: Array
    """(S,) [m]"""
    position: NDArray[np.floating]
    """(K, S, 3) [m]"""
    velocity: NDArray[np.floating]
    """(K, S, 3) [m/s]"""
    shift: Array = field(default_factory=lambda: np.zeros(3))
    """(3,) [m], added to the place"""
    drift: Array = field(default_factory=lambda: np.zeros(3))
    """(3,) [m/s], added to the velocity, and to the place as of `since`"""
    since: float = 0.0
    """[s]"""
    slower: float = 0.0
    """Share by which all times as of `since` are stretched; `time` is left as it is."""

    def at(self, station: float, times: Array) -> tuple[Array, Array]:
        """Place [m] and velocity [m/s] (Q, 3) of a station, held at the ends of line and record."""
        return self.near(station, times)[:2]

    def near(self, station: float, times: Array) -> tuple[Array, Array, Array]:
        """The same, and the slope of the place by station (Q, 3), no unit."""
        s = float(np.clip(station, self.station[0], self.station[-1]))
        i = int(np.clip(np.searchsorted(self.station, s, "right") - 1, 0, self.station.size - 2))
        w = (s - self.station[i]) / (self.station[i + 1] - self.station[i])
        times = np.clip(times, self.time[0], self.time[-1])
        low = max(int(np.searchsorted(self.time, times.min(), "right")) - 2, 0)
        high = int(np.searchsorted(self.time, times.max(), "left")) + 2
        part = (slice(low, high), slice(i, i + 2))
        place, speed = self.position[part].astype(float), self.velocity[part].astype(float)
        x, v = interpolate(self.time[low:high], place, speed, times)
        slope = (x[:, 1] - x[:, 0]) / (self.station[i + 1] - self.station[i])
        aside = self.shift + (times - self.since)[:, None] * self.drift
        place = (1 - w) * x[:, 0] + w * x[:, 1] + aside
        speed = ((1 - w) * v[:, 0] + w * v[:, 1] + self.drift) / (1.0 + self.slower)
        return place, speed, slope

    def stretched(self, times: Array) -> Array:
        """When what the path shows at `times` happens, (Q,) [s]."""
        return times + self.slower * (times - self.since)


def sonic_span(
    path: DrawnMotion, station: float, across: Array, sound: float
) -> tuple[float, float]:
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
        return _crossing(path, station, (path.time[a], path.time[b]), across, sound)

    start = crossing(before[-1], before[-1] + 1) if before.size else float(path.time[0])
    end = crossing(after[0] - 1, after[0]) if after.size else float(path.time[-1])
    return start, end


def sonic_before(path: DrawnMotion, station: float, moment: float, sound: float) -> float:
    """When a station that is supersonic at `moment` [s] became so, in space [s]."""
    times = np.append(path.time[path.time < moment], moment)
    slow = np.linalg.norm(path.at(station, times)[1], axis=1) <= sound
    if not slow[:-1].any():
        return float(times[0])
    last = int(np.flatnonzero(slow[:-1])[-1])
    return _crossing(path, station, (times[last], times[last + 1]), np.eye(3), sound)


def _crossing(
    path: DrawnMotion, station: float, ends: tuple[float, float], across: Array, sound: float
) -> float:
    """When a station's speed along the rows of `across` passes that of sound, between two times;
    the second of them where it does not."""
    times = np.linspace(*ends, 17)
    over = np.linalg.norm(path.at(station, times)[1] @ across.T, axis=1) - sound
    passes = np.flatnonzero(over[1:] * over[:-1] <= 0.0)
    if not passes.size:
        return float(times[-1])
    k = int(passes[0])
    share = over[k] / (over[k] - over[k + 1])
    return float(times[k] + share * (times[k + 1] - times[k]))


@dataclass(frozen=True)
class Reached:
    """When a wavefront reaches N rays, and what that hangs on."""

    arrival: Array
    """(N,) [s]"""
    emission: Array
    """(N,) [s]"""
    moment: Array
    """(N,) [s], the same by the path, without its delay"""
    distance: Array
    """(N,) [m], from the place of emission to the ray"""
    toward: Array
    """(N, 3) unit, from the place of emission to the ray's nearest point"""
    along: Array
    """(N, 3) slope of the place by station: a shift of the station by ds moves it by this"""
    velocity: Array
    """(N, 3) [m/s], of the source"""


def _from(
    path: DrawnMotion, station: float, moments: Array, delay: float, rays: Rays, sound: float
) -> Reached:
    """Wavelets sent at `moments` (N,) of the path, one a ray."""
    place, velocity, along = path.near(station, moments)
    away = place - rays.origin
    away = away - np.einsum("nc,nc->n", away, rays.direction)[:, None] * rays.direction
    distance = np.linalg.norm(away, axis=1)
    toward = -away / np.maximum(distance, 1e-12)[:, None]
    sent = path.stretched(moments) + delay
    return Reached(sent + distance / sound, sent, moments, distance, toward, along, velocity)


def burst(path: DrawnMotion, station: float, start: float, rays: Rays, sound: float) -> Reached:
    """The sphere of one emission of a station at `start` [s]."""
    moments = np.full(rays.origin.shape[0], start)
    return _from(path, station, moments, 0.0, rays, sound)


def envelope(
    path: DrawnMotion,
    station: float,
    span: tuple[float, float],
    delay: float,
    rays: Rays,
    sound: float,
    seen_at: Array,
) -> Reached:
    """The pile-up of all wavelets of a station in its supersonic `span` [s].

    For each ray, of the wavelets with M_r = 1 the one that arrives nearest to when the front was
    seen there, `seen_at` (N,) [s]: a front that a bent path sends out has two sheets, which meet
    in a cusp and may cross. They are sought on a grid and then by secants of M_r - 1. Where there
    are none, beyond the cusp, the wavelet with the greatest M_r stands in, which goes on from the
    cusp without a step. delay [s] is added to the path.
    """
    grid = np.linspace(*span, FINE)
    places = path.at(station, grid)[0]
    arrive = path.stretched(grid)[:, None] + delay + rays.distance(places[:, None]) / sound
    step = np.diff(arrive, axis=0)
    turn = np.zeros(arrive.shape, dtype=bool)
    turn[1:-1] = step[1:] * step[:-1] <= 0.0
    best = np.where(turn, np.abs(arrive - seen_at), np.inf).argmin(axis=0)
    has = turn.any(axis=0)
    best = np.where(has, best, step.argmin(axis=0))
    low = grid[np.maximum(best - 1, 0)]
    high = grid[np.minimum(best + 1, FINE - 1)]

    def excess(moments: Array) -> Array:
        """M_r - 1, which is zero where arrivals pile up."""
        seen = _from(path, station, moments, delay, rays, sound)
        return np.einsum("nc,nc->n", seen.velocity, seen.toward) / sound - 1.0

    at_low, at_high = excess(low), excess(high)
    moment = grid[best]
    inside = has & (at_low * at_high < 0.0)
    # Illinois: secants, an end that stays gets half its weight. Arrivals do not hang on the moment
    # to first order, so a few will do.
    for _ in range(5):
        share = at_low / np.where(inside, at_low - at_high, 1.0)
        moment = np.where(inside, low + share * (high - low), moment)
        now = excess(moment)
        lower = now * at_low > 0.0
        at_high = np.where(lower, 0.5 * at_high, now)
        at_low = np.where(lower, now, 0.5 * at_low)
        low, high = np.where(lower, moment, low), np.where(lower, high, moment)
    return _from(path, station, moment, delay, rays, sound)
