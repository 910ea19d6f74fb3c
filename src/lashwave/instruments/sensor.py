"""What a camera's sensor makes of light, and the light of bright dots.

Light is counted in electrons of a pixel. Shot noise is Poisson's, drawn here as a Gaussian of the
same variance: right in mean and variance everywhere, and in skew to 1 / sqrt(electrons), so within
a tenth from 100 electrons (EMVA Standard 1288, the linear camera model; from memory).

A dot, as an infrared camera sees it, is a Gaussian spot, integrated over each pixel (error
functions), so its centroid is that of its path to rounding. Motion blur is the sum over the
exposure at Gauss points that lie closer than one spread, which leaves a streak smooth to 1e-6 of
its height. Bloom is light scattered in lens and filter: a second, wide Gaussian that holds a small
share, seen around bright dots alone. Range: dots small against their spread (a marker of some mm
at metres), no charge that spills over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from lashwave.instruments.camera import project
from lashwave.quantities import Array, Camera, Image

REACH = 5.5
"""Standard deviations of a spot that are drawn; 4e-8 of its light lies beyond."""
MOST_POINTS = 200
"""Of the exposure: a streak of that many spreads is still smooth."""


Light = NDArray[np.float32]


@dataclass(frozen=True)
class Sensor:
    """A linear sensor."""

    bits: int = 8
    """Of a grey level, 8 to 16; 8 are stored in 8, more in 16."""
    full_well: float = 12e3
    """Electrons at the highest grey level; more light saturates."""
    read_noise: float = 12.0
    """Standard deviation [electrons]."""
    dark: float = 0.0
    """Electrons that a dark pixel reads: an offset, which carries no shot noise."""

    @property
    def gain(self) -> float:
        """Electrons of one grey level."""
        return self.full_well / (2**self.bits - 1)


def read_out(light: Light, sensor: Sensor, rng: np.random.Generator | None = None) -> Image:
    """Grey image (H, W) of light (H, W) [electrons]; without a generator no noise is added."""
    signal = light
    if rng is not None:
        noise = rng.standard_normal(light.shape, dtype=np.float32)
        noise *= np.sqrt(light + np.float32(sensor.read_noise**2))
        signal = light + noise
    grey = (signal + np.float32(sensor.dark)) * np.float32(1.0 / sensor.gain)
    np.rint(grey, out=grey)
    np.clip(grey, 0, 2**sensor.bits - 1, out=grey)
    return grey.astype(np.uint8) if sensor.bits == 8 else grey.astype(np.uint16)


@dataclass(frozen=True)
class Spot:
    """How a point of light is spread over the image."""

    spread: float = 0.8
    """Standard deviation [px]."""
    bloom: float = 0.015
    """Share of the light that is scattered wide."""
    bloom_spread: float = 6.0
    """Standard deviation of that share [px]."""


def over_exposure(
    camera: Camera, time: float, place: Callable[[Array], Array], spread: float
) -> tuple[Array, Array]:
    """Paths of moving points in the image over one exposure.

    Parameters
    ----------
    time : middle of the exposure [s].
    place : from times (Q,) [s] to points (Q, D, 3) [m].
    spread : of a spot [px]; the points of the exposure are chosen closer than this.

    Returns
    -------
    path : (Q, D, 2) [px], nan for a point behind the camera.
    weights : (Q,), shares of the exposure; their sum is 1.
    """
    half = 0.5 * camera.exposure
    ends = project(camera, place(np.array([time - half, time, time + half])))
    steps = np.linalg.norm(np.diff(ends, axis=0), axis=-1).sum(axis=0)
    longest = float(np.nanmax(steps, initial=0.0))
    count = min(int(np.ceil(1.2 * longest / spread)) + 1, MOST_POINTS)
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return project(camera, place(time + half * nodes)), 0.5 * weights


def _pixel_shares(centre: Array, first: int, last: int, spread: float) -> Array:
    """(Q, last - first) share of a Gaussian at `centre` (Q,) that falls on each pixel of a row."""
    edges = np.arange(first, last + 1) - 0.5
    scaled = (edges - centre[:, None]) / (np.sqrt(2.0) * spread)
    return np.asarray(0.5 * np.diff(erf(scaled), axis=1))


def dot_light(
    size: tuple[int, int], path: Array, weights: Array, electrons: ArrayLike, spot: Spot
) -> Light:
    """Light of dots on a dark image.

    Parameters
    ----------
    size : width, height [px].
    path : (Q, D, 2) [px] centres over the exposure; a dot with a nan is left out.
    weights : (Q,) shares of the exposure.
    electrons : (D,) light of each dot in all.

    Returns
    -------
    light : (height, width) [electrons].
    """
    width, height = size
    light = np.zeros((height, width), dtype=np.float32)
    total = np.broadcast_to(np.asarray(electrons, dtype=float), path.shape[1:2])
    for share, spread in ((1.0 - spot.bloom, spot.spread), (spot.bloom, spot.bloom_spread)):
        if share <= 0.0:
            continue
        for d in np.flatnonzero(np.isfinite(path).all(axis=(0, 2))):
            low = np.floor(path[:, d].min(axis=0) - REACH * spread)
            high = np.ceil(path[:, d].max(axis=0) + REACH * spread) + 1.0
            u0, v0 = (int(x) for x in np.clip(low, 0, size))
            u1, v1 = (int(x) for x in np.clip(high, 0, size))
            if u0 >= u1 or v0 >= v1:
                continue
            across = _pixel_shares(path[:, d, 0], u0, u1, spread)
            down = _pixel_shares(path[:, d, 1], v0, v1, spread)
            light[v0:v1, u0:u1] += (share * total[d] * weights * down.T) @ across
    return light
