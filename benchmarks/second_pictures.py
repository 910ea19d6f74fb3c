"""The second renderer: pictures of dots and boards, nothing of `lashwave.twin` in it.

An eye is a pinhole with a lens that bends (radial and tangential terms) and blurs more toward its
edge. Balls are laid down as the radial profile of `second_dots`: a retroreflecting disc through a
defocused lens with wide wings. A board is a printed sheet that rays hit. The sensor has 8 bits,
columns of unlike gain, stray light and photon noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.signal import fftconvolve

from benchmarks.second_dots import FINE, moffat

Array = NDArray[np.float64]
REACH = 9
"""Pixels to either side of a ball's middle that its light reaches."""
BANK = 1 << 22
"""Random numbers drawn once and used from anywhere on."""
RADIUS_STEP = 0.05
"""Profiles are made for ball radii in these steps [px]."""


@dataclass(frozen=True)
class Eye:
    """A camera: where it is, where it looks, its lens."""

    name: str
    place: tuple[float, float, float]
    aim: tuple[float, float, float]
    focal: float
    """[px]"""
    size: tuple[int, int] = (1280, 1024)
    lens: tuple[float, float, float, float] = (-0.12, 0.03, 4e-4, -3e-4)
    """Radial k1 and k2, tangential p1 and p2."""
    off: tuple[float, float] = (6.3, -4.1)
    """Of the lens's axis from the sensor's middle [px]."""

    @property
    def turn(self) -> Array:
        """Rows: right, down and ahead in the lab."""
        ahead = np.subtract(self.aim, self.place)
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(ahead, right), ahead])

    @property
    def middle(self) -> Array:
        """Where the lens's axis meets the sensor (2,) [px]."""
        return 0.5 * (np.array(self.size) - 1.0) + self.off

    def bent(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where the lens puts a ray of slopes x, y."""
        k1, k2, p1, p2 = self.lens
        r2 = x * x + y * y
        more = 1.0 + r2 * (k1 + k2 * r2)
        return (
            x * more + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * more + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        )

    def seen(self, points: Array) -> tuple[Array, Array]:
        """Pixels (N, 2) of lab points (N, 3) [m], and their depths (N,) [m]."""
        own = (points - self.place) @ self.turn.T
        x, y = self.bent(own[:, 0] / own[:, 2], own[:, 1] / own[:, 2])
        return np.stack([x, y], axis=1) * self.focal + self.middle, own[:, 2]

    def rays(self, uv: Array) -> Array:
        """Directions (N, 3) in the lab of the rays that reach pixels (N, 2)."""
        goal = (uv - self.middle) / self.focal
        x, y = goal[:, 0].copy(), goal[:, 1].copy()
        for _ in range(12):
            fx, fy = self.bent(x, y)
            x, y = x + goal[:, 0] - fx, y + goal[:, 1] - fy
        return np.stack([x, y, np.ones_like(x)], axis=1) @ self.turn


@dataclass(frozen=True)
class Sensor:
    """Eight bits behind a lens of its own blur."""

    defocus: float = 0.7
    core: float = 0.9
    """Of the light's spread: disc of confusion and core of the wings [px]."""
    noise: float = 1.6
    """Without light [grey levels]."""
    electrons: float = 18.0
    """A grey level."""
    stray: float = 9.0
    """[grey levels]"""
    glare: float = 520.0
    """Of a ball's middle, were it wide [grey levels]."""
    unlike: float = 0.006
    """Columns' gains, relative deviation."""
    bank: Array = field(
        default_factory=lambda: np.random.default_rng(7).standard_normal(BANK), repr=False
    )

    def read(self, light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.uint8]:
        """The picture (H, W) of a light [grey levels]."""
        height, width = light.shape
        rows = np.linspace(0.0, 1.0, height, dtype=np.float32)[:, None]
        gains = 1.0 + self.unlike * np.random.default_rng(width).standard_normal(width)
        whole = (light + self.stray * (1.0 + 0.4 * rows * rows)) * gains.astype(np.float32)
        first = int(rng.integers(BANK - light.size))
        spread = np.sqrt(self.noise**2 + np.maximum(whole, 0.0) / self.electrons)
        whole += spread * self.bank[first : first + light.size].reshape(light.shape)
        return np.clip(np.rint(whole), 0, 255).astype(np.uint8)


@cache
def profile(steps: int, defocus: float, core: float) -> Array:
    """Light at 0, 1 / FINE, ... px from a ball's middle, radius `steps` * RADIUS_STEP [px]."""
    reach = FINE * (REACH + 3)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1] / FINE
    away = np.hypot(x, y)
    radius = max(steps * RADIUS_STEP, 0.3)
    # Retroreflection falls with the angle of incidence; the rim is smooth within a fine step.
    ball = np.clip(1.0 - (away / radius) ** 2, 0.0, 1.0)
    seen = fftconvolve(ball, moffat(defocus, core), mode="same")
    rings = np.rint(away * FINE).astype(int)
    weight = np.bincount(rings.ravel())
    return np.bincount(rings.ravel(), seen.ravel()) / weight


def lay(
    light: NDArray[np.float32], uv: Array, radius: float, way: Array, sensor: Sensor, share: float
) -> None:
    """Add a ball at uv (2,) [px], radius [px], that moves by `way` (2,) [px] while exposed."""
    moments = int(np.clip(np.hypot(*way) * 1.5, 1, 60))
    off = np.linalg.norm(uv / np.array(light.shape[::-1]) - 0.5)
    core = sensor.core * (1.0 + round(0.3 * off / 0.7, 1))
    curve = sensor.glare * share / moments * profile(
        int(radius / RADIUS_STEP), sensor.defocus, core
    )  # fmt: skip
    sub = np.array([-1.0, 0.0, 1.0]) / 3.0
    for part in (np.arange(moments) + 0.5) / moments - 0.5:
        u, v = uv + part * way
        low_u, low_v = int(np.floor(u)) - REACH, int(np.floor(v)) - REACH
        columns = np.arange(max(low_u, 0), min(low_u + 2 * REACH + 2, light.shape[1]))
        rows = np.arange(max(low_v, 0), min(low_v + 2 * REACH + 2, light.shape[0]))
        if not (columns.size and rows.size):
            continue
        x = (columns[:, None] + sub - u).ravel() ** 2
        y = (rows[:, None] + sub - v).ravel() ** 2
        away = FINE * np.sqrt(y[:, None] + x)
        near = np.interp(away, np.arange(curve.size), curve, right=0.0)
        near = near.reshape(rows.size, 3, columns.size, 3).mean(axis=(1, 3))
        light[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += near.astype(np.float32)


def balls(
    eye: Eye,
    sensor: Sensor,
    places: Array,
    velocity: Array,
    radius: Array,
    exposure: float,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """A picture of balls (N, 3) [m] of radii (N,) [m] that move (N, 3) [m/s] for `exposure` [s]."""
    light = np.zeros(eye.size[::-1], dtype=np.float32)
    middle, depth = eye.seen(places)
    ways = eye.seen(places + 0.5 * exposure * velocity)[0] - eye.seen(
        places - 0.5 * exposure * velocity
    )[0]  # fmt: skip
    for uv, far, way, size in zip(middle, depth, ways, radius, strict=True):
        if far > 0.2 and (uv > -REACH).all() and (uv < np.array(eye.size) + REACH).all():
            lay(light, uv, size * eye.focal / far, way, sensor, (4.0 / far) ** 0.5)
    return sensor.read(light, rng)


@dataclass(frozen=True)
class Sheet:
    """A printed board: its picture, and how long a pixel of that is."""

    print: NDArray[np.uint8]
    pixel: float
    """[m]"""


def sheet(kind: str, squares: tuple[int, int], square: float, marker: float) -> Sheet:
    """A chessboard with a light margin, or a charuco board of the 5 x 5 dictionary of 100."""
    cell, margin = 80, 60
    size = (squares[0] * cell, squares[1] * cell)
    if kind == "charuco":
        book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
        board = cv2.aruco.CharucoBoard(squares, square, marker, book)
        drawn = np.asarray(board.generateImage(size, marginSize=0))
    else:
        across, down = np.arange(size[0]) // cell, np.arange(size[1]) // cell
        drawn = np.where((across + down[:, None]) % 2 == 0, 255, 0).astype(np.uint8)
    whole = np.full((size[1] + 2 * margin, size[0] + 2 * margin), 255, np.uint8)
    whole[margin:-margin, margin:-margin] = drawn
    return Sheet(whole, square / cell)


def _rays_of_grid(eye: Eye, u: Array, v: Array) -> Array:
    """Directions (V * U, 3) of the rays to a grid of pixels, by a spline through every 16th."""
    coarse_u, coarse_v = (np.arange(-16.0, n + 32.0, 16.0) for n in eye.size)
    uv = np.stack(np.meshgrid(coarse_u, coarse_v), axis=-1).reshape(-1, 2)
    own = (eye.rays(uv) @ eye.turn.T).reshape(coarse_v.size, coarse_u.size, 3)
    x, y = (RectBivariateSpline(coarse_v, coarse_u, own[..., k])(v, u) for k in (0, 1))
    return np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3) @ eye.turn


def board_picture(
    eye: Eye, sensor: Sensor, of: Sheet, pose: tuple[Array, Array], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """A picture of a board whose middle is at pose[0] (3,), right and down pose[1] (2, 3)."""
    width, height = eye.size
    sub = (np.arange(2) + 0.5) / 2 - 0.5
    u = (np.arange(width)[:, None] + sub).ravel()
    v = (np.arange(height)[:, None] + sub).ravel()
    ray = _rays_of_grid(eye, u, v)
    normal = np.cross(*pose[1])
    reach = ((pose[0] - eye.place) @ normal) / (ray @ normal)
    hit = np.asarray(eye.place) + reach[:, None] * ray - pose[0]
    at = hit @ pose[1].T / of.pixel + 0.5 * (np.array(of.print.shape[::-1]) - 1.0)
    maps = at.astype(np.float32).reshape(v.size, u.size, 2)
    seen = cv2.remap(of.print, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_CONSTANT, borderValue=(70.0,))  # fmt: skip
    light = seen.reshape(height, 2, width, 2).mean(axis=(1, 3))
    light = cv2.GaussianBlur(light, (0, 0), 0.6 * sensor.core)
    across = np.linspace(0.0, 1.0, width)
    lit = (0.45 + 0.25 * across) * light + 8.0
    return sensor.read(lit.astype(np.float32), rng)
