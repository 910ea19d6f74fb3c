"""What a schlieren picture shows when nothing happens: uneven light, warm air, dust, wires."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lashwave.instruments.sensor import Light

DRIFT = 160
"""Pixels that the warm air's texture is larger than the image, so that it can drift."""


@dataclass(frozen=True)
class Backdrop:
    """Light of an empty schlieren view, 1 where it is plain."""

    fixed: Light
    """(H, W): lamp, mottle of the optics, dust and wires."""
    air: Light
    """(H + 160, W + 160): texture of warm air, mean 0."""
    wind: tuple[float, float] = (0.0, 0.0)
    """Of that texture [px/s]; it turns round at its edge."""

    def at(self, time: float) -> Light:
        """Light (H, W) at a time [s]."""
        height, width = self.fixed.shape
        # A triangle wave: the texture drifts to its edge and back, so no record is too long.
        u, v = (abs((0.5 * DRIFT + w * time) % (2 * DRIFT) - DRIFT) for w in self.wind)
        shift = np.array([[1.0, 0.0, -u], [0.0, 1.0, -v]])
        moved = cv2.warpAffine(self.air, shift, (width, height), flags=cv2.INTER_LINEAR)
        return np.asarray(self.fixed * (1.0 + moved), dtype=np.float32)


def _smooth(rng: np.random.Generator, shape: tuple[int, int], spread: float) -> Light:
    """Gaussian noise of unit variance, smooth over `spread` [px]."""
    coarse = max(1, int(spread / 3.0))
    small = (shape[0] // coarse + 9, shape[1] // coarse + 9)
    noise = cv2.GaussianBlur(rng.standard_normal(small, dtype=np.float32), (0, 0), spread / coarse)
    large = cv2.resize(
        noise / noise.std(), None, fx=coarse, fy=coarse, interpolation=cv2.INTER_CUBIC
    )
    return np.asarray(large[: shape[0], : shape[1]], dtype=np.float32)


def _dust(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Light:
    """Specks in focus, dark and small, and specks out of focus: faint rings."""
    height, width = shape
    left = np.ones(shape, dtype=np.float32)
    v, u = np.mgrid[-24:25, -24:25].astype(float)
    for k in range(count):
        centre = rng.uniform((24, 24), (height - 25, width - 25))
        row, column = (int(x) for x in centre)
        y, x = v - (centre[0] - row), u - (centre[1] - column)
        turn, stretch = rng.uniform(0, np.pi), rng.uniform(1.0, 2.2)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        if k % 4:
            size = 0.7 + rng.exponential(0.7)
            shape_of = np.exp(-0.5 * ((along / (size * stretch)) ** 2 + (across / size) ** 2) ** 2)
            mark = rng.uniform(0.25, 0.85) * shape_of
        else:
            ring, radius = np.hypot(x, y), rng.uniform(6.0, 17.0)
            mark = 0.035 * np.exp(-((ring / radius) ** 2)) * np.cos(2.2 * ring**2 / radius)
        left[row - 24 : row + 25, column - 24 : column + 25] *= (1.0 - mark).astype(np.float32)
    return left


def _wires(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Light:
    """Reference wires across the window, level and upright in turn, slightly out of focus."""
    left = np.ones(shape, dtype=np.float32)
    v, u = np.mgrid[0 : shape[0], 0 : shape[1]]
    for k in range(count):
        along, across, extent = (u, v, shape[0]) if k % 2 == 0 else (v, u, shape[1])
        place = extent * rng.uniform(0.12, 0.88) + rng.uniform(-0.01, 0.01) * along
        half, soft = rng.uniform(0.7, 1.6), rng.uniform(0.6, 1.1)
        depth = 0.5 - 0.5 * np.tanh((np.abs(across - place) - half) / soft)
        left *= (1.0 - rng.uniform(0.5, 0.8) * depth).astype(np.float32)
    return left


def draw_backdrop(
    size: tuple[int, int],
    rng: np.random.Generator,
    *,
    dust: int = 90,
    wires: int = 3,
    warm_air: float = 0.02,
    wind: tuple[float, float] = (0.0, 0.0),
) -> Backdrop:
    """An invented empty view.

    Parameters
    ----------
    size : width, height [px]; dust : specks; wires : across the window.
    warm_air : standard deviation of the light that warm air turns aside, 1 being all.
    wind : of the warm air [px/s].
    """
    shape = (size[1], size[0])
    v, u = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    tilt = rng.uniform(-0.07, 0.07, 2)
    lamp = 1.0 + tilt[0] * u + tilt[1] * v - rng.uniform(0.04, 0.14) * (u * u + v * v)
    fixed = lamp.astype(np.float32)
    fixed *= 1.0 + 0.03 * _smooth(rng, shape, 110.0) + 0.008 * _smooth(rng, shape, 6.0)
    fixed *= 1.0 + 0.006 * _smooth(rng, shape, 1.2)
    fixed *= _dust(rng, shape, dust) * _wires(rng, shape, wires)
    air = warm_air * _smooth(rng, (shape[0] + DRIFT, shape[1] + DRIFT), 35.0)
    return Backdrop(fixed, air.astype(np.float32), wind)
