"""The second renderer's fast film and sound: a line's shadow, a front, flashes; a crack's sound.

The shadow is a distance to the line's axis, the front the envelope of the spheres that the tip has
sent while faster than sound, drawn by its distance too: light on one side and dark on the other, or
dark between two light edges. The sound piles up the arrivals of what the tip sends, through a
microphone that knows no steady pressure, a room that answers and a mains hum.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter
from scipy.spatial import cKDTree

from benchmarks.second_pictures import Array, Sensor
from lashwave.twin.truth import TrueMotion

STEP = 0.25
"""Between points of a drawn curve [px]."""
FLASH_HALF = 55e-6
"""Half of a flash's length [s]."""


@dataclass(frozen=True)
class View:
    """Parallel light onto a fast camera."""

    aim: Array
    """(3,) [m], in the picture's middle."""
    right: Array
    """(3,), a level unit vector: the picture's u."""
    scale: float
    """[px/m]"""
    size: int
    """Of the square picture [px]."""
    rate: float
    """[Hz]"""
    start: float
    """Lab time of frame 0 [s]."""
    drift: float
    exposure: float
    knife: bool
    """A schlieren view; else a shadow picture."""
    round_end: bool
    sensor: Sensor = field(
        default_factory=lambda: Sensor(noise=1.8, electrons=40.0, stray=0.0, unlike=0.01)
    )

    @property
    def rows(self) -> Array:
        """(2, 4): lab places to pixels."""
        down = np.array([0.0, 0.0, -1.0])
        axes = self.scale * np.stack([self.right, down])
        return np.column_stack([axes, 0.5 * (self.size - 1) - axes @ self.aim])

    def pixels(self, places: Array) -> Array:
        """(..., 2) of places (..., 3) [m]."""
        return places @ self.rows[:, :3].T + self.rows[:, 3]

    def time(self, frame: float) -> float:
        """Lab time of a frame [s]."""
        return self.start + (1.0 + self.drift) * frame / self.rate


@dataclass(frozen=True)
class Crack:
    """What the tip does while it is loud."""

    time: Array
    """(E,) [s]"""
    place: Array
    """(E, 3) [m]"""
    velocity: Array
    """(E, 3) [m/s]"""
    sound: float
    """Speed of sound [m/s]."""

    @classmethod
    def of(cls, path: TrueMotion, sound: float) -> Crack:
        """The time about the peak in which the tip is over 0.7 of the speed of sound."""
        speed = np.linalg.norm(path.velocity[:, -1], axis=-1)
        loud = np.flatnonzero(speed > 0.7 * sound)
        time = np.arange(path.time[loud[0]], path.time[loud[-1]], 1e-6)
        seen = [path.at(t, path.station[-1:]) for t in np.array_split(time, 50)]
        place, velocity = (np.concatenate(part)[:, 0] for part in zip(*seen, strict=True))
        return cls(time, place, velocity, sound)


def _spaced(points: Array) -> Array:
    """Points (N, 2) along a polyline, STEP apart at most, its two ends among them."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, way[-1], max(2, int(np.ceil(way[-1] / STEP)) + 1))
    return np.stack([np.interp(at, way, points[:, k]) for k in (0, 1)], axis=1)


def _near(curve: Array, reach: int, size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the pixels that a curve comes near."""
    drawn = np.zeros((size, size), np.uint8)
    cv2.polylines(drawn, [np.rint(curve).astype(np.int32)[:, None]], False, 1, 2 * reach + 1)
    return np.nonzero(drawn)


def shadow(view: View, path: TrueMotion, radius: tuple[Array, Array], time: float) -> Array:
    """Share of light (H, W) that the line lets through; radius: stations and values [m]."""
    station = np.linspace(0.0, path.station[-1], 1500)
    place = path.at(np.array([time]), station)[0][0]
    uv = view.pixels(place)
    size = view.size
    near = np.flatnonzero((np.abs(uv - 0.5 * size) < 0.5 * size + 60).all(axis=1))
    light = np.ones((size, size))
    if near.size < 2:
        return light
    for part in np.split(near, np.flatnonzero(np.diff(near) > 1) + 1):
        if part.size < 2:
            continue
        curve = _spaced(uv[part])
        along = np.interp(np.linspace(0, 1, len(curve)), np.linspace(0, 1, part.size),
                          station[part])  # fmt: skip
        half = view.scale * np.interp(along, *radius)
        rows, columns = _near(curve, int(half.max()) + 4, size)
        pixel = np.stack([columns, rows], axis=1).astype(float)
        away, which = cKDTree(curve).query(pixel)
        covered = 1.0 / (1.0 + np.exp(np.clip((away - half[which]) / 0.33, -40, 40)))
        if part[-1] == station.size - 1 and not view.round_end:
            ahead = (curve[-1] - curve[-8]) / np.linalg.norm(curve[-1] - curve[-8])
            # Of the end alone: what lies ahead of it elsewhere is another part of the line.
            beyond = np.where(which >= len(curve) - 20, (pixel - curve[-1]) @ ahead, -20.0)
            covered /= 1.0 + np.exp(np.clip(beyond / 0.33, -40, 40))
        light[rows, columns] = np.minimum(light[rows, columns], 1.0 - 0.93 * covered)
    return light


def fronts(view: View, crack: Crack, time: float) -> list[tuple[Array, Array]]:
    """The front's two flanks at a time: points (N, 2) [px] and strength (N,) [1]."""
    sent = crack.time < time - 2e-6
    across = np.stack([view.right, [0.0, 0.0, -1.0]])
    flat = crack.velocity @ across.T
    speed = np.linalg.norm(flat, axis=1)
    fast = sent & (speed > 1.001 * crack.sound)
    found = []
    for part in np.split(np.arange(fast.size), np.flatnonzero(np.diff(fast)) + 1):
        if part.size < 12 or not fast[part[0]]:
            continue
        way = flat[part] / speed[part, None]
        reach = crack.sound * (time - crack.time[part])
        cosine = crack.sound / speed[part]
        sine = np.sqrt(1.0 - cosine**2)
        side = np.stack([-way[:, 1], way[:, 0]], axis=1)
        fade = (1.0 / cosine - 1.0) ** 0.4 / np.sqrt(1.0 + reach / 0.03)
        fade *= np.minimum(1.0, np.arange(part.size)[::-1] / 15.0)
        for hand in (-1.0, 1.0):
            out = cosine[:, None] * way + hand * sine[:, None] * side
            found.append((view.pixels(crack.place[part]) + view.scale * reach[:, None] * out, fade))
    return found


def front_light(view: View, crack: Crack, time: float) -> Array:
    """Light (H, W) that fronts add [of full]."""
    light = np.zeros((view.size, view.size))
    for points, strength in fronts(view, crack, time):
        inside = (np.abs(points - 0.5 * view.size) < 0.5 * view.size + 20).all(axis=1)
        if inside.sum() < 4:
            continue
        part = np.flatnonzero(inside)
        part = np.arange(part[0], part[-1] + 1)
        curve = _spaced(points[part])
        if len(curve) < 8:
            continue
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[part], axis=0).T))])
        fade = np.interp(np.linspace(0.0, way[-1], len(curve)), way, strength[part])
        normal = np.gradient(curve, axis=0)[:, ::-1] * [1.0, -1.0]
        normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
        rows, columns = _near(curve, 7, view.size)
        pixel = np.stack([columns, rows], axis=1).astype(float)
        which = cKDTree(curve).query(pixel)[1]
        x = ((pixel - curve[which]) * normal[which]).sum(axis=1) / 1.5
        if view.knife:
            shape = 0.45 * x * np.exp(-0.5 * x * x) * (0.3 - 0.7 * normal[which, 1])
        else:
            shape = 0.22 * (x * x - 1.0) * np.exp(-0.5 * x * x)
        light[rows, columns] += shape * fade[which]
    return light


def backdrop(view: View, rng: np.random.Generator) -> Array:
    """Light (H, W) of an empty picture [grey levels]: plumes, a slope, specks of dust."""
    size = view.size
    v, u = np.mgrid[:size, :size] / size
    plume = cv2.GaussianBlur(rng.standard_normal((size, size)), (0, 0), size / 18.0)
    light = 118.0 + 7.0 * plume / plume.std() + 16.0 * (u - 0.5)
    light *= 1.0 - 0.35 * ((u - 0.5) ** 2 + (v - 0.5) ** 2)
    for _ in range(25):
        middle, width = rng.uniform(0, size, 2), rng.uniform(0.8, 2.5)
        spot = ((u * size - middle[0]) ** 2 + (v * size - middle[1]) ** 2) / width**2
        light *= 1.0 - rng.uniform(0.1, 0.5) * np.exp(-0.5 * np.minimum(spot, 80.0))
    return light


def film(
    view: View,
    path: TrueMotion,
    radius: tuple[Array, Array],
    crack: Crack,
    flashes: Array,
    count: int,
    rng: np.random.Generator,
):  # type: ignore[no-untyped-def]
    """Yields the `count` pictures (H, W)."""
    plain = backdrop(view, rng)
    slope = 1.0 + 0.3 * np.linspace(-0.5, 0.5, view.size)[:, None]
    for frame in range(count):
        time = view.time(frame)
        parts = [shadow(view, path, radius, time + share * view.exposure) for share in (-0.3, 0.3)]
        light = plain * (0.5 * (parts[0] + parts[1]))
        light += 118.0 * front_light(view, crack, time) * parts[0]
        off = (time - flashes) / FLASH_HALF
        light += 34.0 * slope * float(np.exp(-np.minimum(off**4, 80.0)).sum())
        yield view.sensor.read(light.astype(np.float32), rng)


def sound(crack: Crack, place: Array, first: float, count: int, rate: float,
          rng: np.random.Generator) -> Array:  # fmt: skip
    """Volts (N,) of a microphone at `place` (3,) [m], first sample at `first` [s]."""
    toward = place - crack.place
    away = np.linalg.norm(toward, axis=1)
    mach = np.linalg.norm(crack.velocity, axis=1) / crack.sound
    arrive = crack.time + away / crack.sound
    strength = np.maximum(mach**2 - 0.49, 0.0) ** 2 / away
    spot = np.rint((arrive - first) * rate).astype(int)
    inside = (spot >= 0) & (spot < count)
    heard = np.bincount(spot[inside], strength[inside], minlength=count)
    echo = np.zeros(int(0.03 * rate))
    echo[0] = 1.0
    late = rng.integers(int(0.006 * rate), echo.size, 30)
    echo[late] += rng.normal(0.0, 0.12, 30) * np.exp(-late / (0.01 * rate))
    heard = np.convolve(heard, echo)[:count]
    heard = lfilter(*butter(2, 60e3 / (0.5 * rate)), heard)
    heard = lfilter(*butter(2, 30.0 / (0.5 * rate), "high"), heard)
    heard *= 0.5 / np.abs(heard).max()
    time = np.arange(count) / rate
    hum = 4e-4 * np.sin(2 * np.pi * 50.0 * time) + 1.5e-4 * np.sin(2 * np.pi * 150.0 * time + 1.0)
    return heard + hum + 3e-4 * rng.standard_normal(count)
