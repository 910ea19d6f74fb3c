"""What an infrared camera records of bright dots: spread, motion blur, bloom, noise, saturation.

A dot is a Gaussian spot, integrated over each pixel (error functions), so its centroid is that of
its path to rounding. Motion blur is the sum over the exposure at Gauss points that lie closer than
one spread, which leaves a streak smooth to 1e-6 of its height. Bloom is light scattered in lens and
filter: a second, wide Gaussian that holds a small share, seen around bright dots alone.
Range: dots small against their spread (a marker of some mm at metres), no charge that spills over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from lashwave.instruments.camera import project
from lashwave.instruments.sensor import Light
from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import Camera

REACH = 5.5
"""Standard deviations of a spot that are drawn; 4e-8 of its light lies beyond."""
MOST_POINTS = 200
"""Of the exposure: a streak of that many spreads is still smooth."""


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
