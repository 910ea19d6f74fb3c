"""A small painter of fast schlieren frames with a line whose tip is known.

Its own geometry: the line is every point within its radius of a polyline, so the dark end lies
one radius beyond the tip; nine samples a pixel, then a Gaussian lens. Nothing of the package.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np


def coverage(
    points: np.ndarray, radius: np.ndarray, size: tuple[int, int], fine: int = 3
) -> np.ndarray:
    """Share of each pixel behind a polyline (M, 2) [px] of given radii (M,) [px].

    fine : samples a pixel and side.
    """
    width, height = size
    inside = np.zeros((height * fine, width * fine), dtype=bool)
    for a, b, ra, rb in zip(points[:-1], points[1:], radius[:-1], radius[1:], strict=True):
        reach = max(ra, rb) + 1.0
        low = np.floor((np.minimum(a, b) - reach + 0.5) * fine).astype(int)
        high = np.ceil((np.maximum(a, b) + reach + 0.5) * fine).astype(int)
        low, high = np.maximum(low, 0), np.minimum(high, np.array([width, height]) * fine)
        if (high <= low).any():
            continue
        u = (np.arange(low[0], high[0]) + 0.5) / fine - 0.5
        v = (np.arange(low[1], high[1]) + 0.5) / fine - 0.5
        along = b - a
        share = ((u[None] - a[0]) * along[0] + (v[:, None] - a[1]) * along[1]) / (along @ along)
        share = np.clip(share, 0.0, 1.0)
        du, dv = u[None] - a[0] - share * along[0], v[:, None] - a[1] - share * along[1]
        hit = du * du + dv * dv <= (ra + share * (rb - ra)) ** 2
        inside[low[1] : high[1], low[0] : high[0]] |= hit
    return inside.reshape(height, fine, width, fine).mean(axis=(1, 3))


def bend(entry: np.ndarray, middle: np.ndarray, tip: np.ndarray, count: int = 40) -> np.ndarray:
    """A smooth curve from where the line comes in to its tip, (count, 2)."""
    s = np.linspace(0, 1, count)[:, None]
    return (1 - s) ** 2 * entry + 2 * s * (1 - s) * middle + s**2 * tip


def scenery(size: tuple[int, int], seed: int = 0, wires: bool = True) -> np.ndarray:
    """Bright, uneven, dusty, with two wires [grey levels]."""
    rng = np.random.default_rng(seed)
    width, height = size
    v, u = np.mgrid[:height, :width].astype(float)
    level = 170.0 + 25.0 * u / width - 15.0 * v / height
    level += cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 12.0) * 120.0
    dust = np.ones((height, width))
    for _ in range(25):
        a, b, r = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0.7, 3.0)
        dust *= 1 - rng.uniform(0.2, 0.9) * np.exp(-((u - a) ** 2 + (v - b) ** 2) / (2 * r * r))
    if wires:
        for middle, normal in ((0.31 * width, (1.0, 0.02)), (0.62 * height, (0.01, 1.0))):
            off = np.abs(normal[0] * u + normal[1] * v - middle)
            dust *= 1 - 0.85 * np.clip(1.7 - off, 0, 1)
    return level * dust


def front(size: tuple[int, int], centre: tuple[float, float], radius: float, strength: float):
    """A pressure front as light passed on: dark outside, bright inside, as much of each."""
    width, height = size
    v, u = np.mgrid[:height, :width].astype(float)
    off = (np.hypot(u - centre[0], v - centre[1]) - radius) / 2.0
    return 1.0 - strength * np.e**0.5 * off * np.exp(-0.5 * off * off)


@dataclass
class Painted:
    """Frames painted when asked for, so that a record of any length costs nothing."""

    size: tuple[int, int]
    count: int
    line: Callable[[float], np.ndarray | None]
    """Polyline at a frame number (a real one), or None."""
    radius: Callable[[int], np.ndarray] = field(default=lambda n: np.linspace(3.0, 1.5, n))
    depth: float = 0.95
    noise: float = 4.0
    exposure: float = 0.0
    """[frames]"""
    lens: float = 0.7
    wires: bool = True
    others: Callable[[int], np.ndarray | float] = field(default=lambda f: 1.0)
    """What else lets light through or not (fronts), as a factor."""
    flash: Callable[[int], float] = field(default=lambda f: 0.0)
    """Added grey levels."""
    seed: int = 0
    bits: int = 8
    fine: int = 3
    """Samples a pixel and side."""

    def __post_init__(self) -> None:
        self.scene = scenery(self.size, self.seed, self.wires)

    def __len__(self) -> int:
        return self.count

    def clean(self, frame: int) -> np.ndarray:
        """Without noise."""
        moments = [0.0] if self.exposure == 0 else (np.arange(7) - 3) / 7 * self.exposure
        hidden = np.zeros(self.size[::-1])
        for moment in moments:
            points = self.line(frame + moment)
            if points is not None:
                hidden += coverage(points, self.radius(len(points)), self.size, self.fine) / len(
                    moments
                )
        hidden = cv2.GaussianBlur(hidden, (0, 0), self.lens)
        return self.scene * (1 - self.depth * hidden) * self.others(frame)

    def __getitem__(self, frame: int) -> np.ndarray:
        if not 0 <= frame < self.count:
            raise IndexError(frame)
        rng = np.random.default_rng([self.seed, frame])
        image = self.clean(frame) + self.flash(frame)
        image = image + rng.normal(0, self.noise, image.shape)
        return np.clip(np.rint(image), 0, 255).astype(np.uint8)

    def all(self) -> list[np.ndarray]:
        """Painted once and kept."""
        return [self[frame] for frame in range(self.count)]

    def __iter__(self) -> Iterator[np.ndarray]:
        for frame in range(self.count):
            yield self[frame]
