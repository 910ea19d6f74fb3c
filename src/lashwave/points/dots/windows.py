"""Small windows cut out of images around blobs, and what a fit starts from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lashwave.points.dots.blobs import Blobs
from lashwave.points.dots.ground import Background
from lashwave.quantities.arrays import Array, Mask, Whole
from lashwave.quantities.images import Image

HALF_WIDTHS = (3, 4, 5, 6, 8, 10, 13, 17, 22, 29, 38, 50, 64)
"""Windows are 2 h + 1 px wide; a spot takes the smallest that holds it."""
REACH = 2.8
"""Widths of a dot inside its window: beyond lie 0.4 % of what is known of its centre."""


@dataclass(frozen=True)
class Windows:
    """D windows of one width, in whichever frames."""

    half: int
    frame: NDArray[np.int64]
    """(D,)"""
    middle: NDArray[np.int64]
    """(D, 2) [px] the window's middle pixel."""
    grey: Array
    """(D, N) raw levels, row after row."""
    used: Mask
    """(D, N) pixels on the sensor, not saturated, not of another dot."""
    start: Array
    """(D, 7) parameters of the ellipse model."""
    cut: Mask
    """(D,) saturated, or at the edge of the sensor."""

    @property
    def grid(self) -> Array:
        """(2, N) [px] places about the middle."""
        v, u = np.mgrid[-self.half : self.half + 1, -self.half : self.half + 1]
        return np.stack([u.ravel(), v.ravel()]).astype(float)


def take(windows: Windows, which: Mask | NDArray[np.int64]) -> Windows:
    """Some of the windows."""
    names = ("frame", "middle", "grey", "used", "start", "cut")
    return Windows(windows.half, *(getattr(windows, n)[which] for n in names))


def widths(found: Blobs, height: Array) -> Array:
    """First guess (B,) of the dots' standard width [px], from thresholds (B,) [grey levels].

    A Gaussian of peak A stands over the threshold t on an area 2 pi w^2 ln(A / t).
    """
    ratio = np.maximum(found.peak / height, 1.15)
    return np.asarray(np.clip(np.sqrt(found.pixels / (2 * np.pi * np.log(ratio))), 0.5, 40.0))


def _starts(found: Blobs, width: Array) -> Array:
    """Ellipse parameters (B, 7), the centre still in image pixels, the background left at 0."""
    uu, uv, vv = found.moments.T
    uu, vv = uu + 0.3, vv + 0.3  # a row one pixel wide has no moment across
    determinant = uu * vv - uv * uv
    # The tails are cut off the moments: a dot takes its size from the area, a streak from them.
    long = (uu + vv) ** 2 > 5.0 * determinant
    scale = np.where(long, 1.0, np.sqrt(determinant) / np.maximum(width, 0.6) ** 2) / determinant
    a, b, c = vv, -uv, uu
    top = found.peak * np.where(found.full > 0, 1.5, 1.05)
    return np.column_stack([top, found.centre, a * scale, b * scale, c * scale, 0 * a])


def _neighbours(found: Blobs, width: Array, half: Whole) -> Whole:
    """(K, 2) blobs (own, other) of one image where the other may reach into the own window."""
    if found.frame.size < 2:
        return np.empty((0, 2), np.int64)
    far = 2.0 * float(half.max() + 3.0 * width.max() + 1.0)
    tree = cKDTree(np.column_stack([found.centre, found.frame * (4.0 * far)]))
    pairs = tree.query_pairs(far, output_type="ndarray").astype(np.int64)
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    own, other = pairs.T
    gap = np.maximum(*np.abs(found.centre[own] - found.centre[other]).T)
    return pairs[gap < half[own] + 3.0 * width[other] + 1.0]


def _hidden(found: Blobs, width: Array, own: int, other: int, u: Whole, v: Whole) -> Mask:
    """(rows, columns) pixels at u (columns,), v (rows,) [px] that are the other dot's."""
    square = [
        ((u - found.centre[k, 0]) ** 2 + (v[:, None] - found.centre[k, 1]) ** 2) / width[k] ** 2
        for k in (own, other)
    ]
    return np.asarray((square[1] < square[0]) & (square[1] < (3.0 + 1.0 / width[other]) ** 2))


def windows(
    images: Sequence[Image], found: Blobs, grounds: Sequence[Background], height: Array, full: int
) -> list[Windows]:
    """Windows by width, frames counted as in `found`. Blobs wider than the widest are left out.

    grounds : of the images; height : (images,) threshold over the background [grey levels].
    What is uneven in the background is taken off the windows.
    """
    if not found.pixels.size:
        return []
    width = widths(found, height[found.frame])
    start = _starts(found, width)
    start[:, 6] = np.array([g.level for g in grounds])[found.frame]
    span = 0.5 * (found.high - found.low).max(axis=1)
    wanted = np.maximum(np.maximum(span + 1.0, REACH * width), 3.0)
    half = np.append(HALF_WIDTHS, 0)[np.searchsorted(HALF_WIDTHS, np.ceil(wanted - 0.25))]
    near = _neighbours(found, width, half)
    limits = np.array(images[0].shape[::-1]) - 1
    cut = (found.full > 0) | (found.low <= 0).any(axis=1) | (found.high >= limits).any(axis=1)
    made = []
    for h in np.unique(half[half > 0]):
        rows = np.flatnonzero(half == h)
        middle = np.rint(found.centre[rows]).astype(np.int64)
        across = np.arange(-h, h + 1)
        u, v = middle[:, :1] + across, middle[:, 1:] + across
        inside = ((v >= 0) & (v <= limits[1]))[:, :, None] & ((u >= 0) & (u <= limits[0]))[:, None]
        u, v = np.clip(u, 0, limits[0]), np.clip(v, 0, limits[1])
        grey, used = np.empty(inside.shape), inside
        for k in np.unique(found.frame[rows]):
            own = np.flatnonzero(found.frame[rows] == k)
            at = v[own][:, :, None], u[own][:, None, :]
            grey[own] = images[k][at]
            used[own] &= grey[own] < full
            uneven = grounds[k].uneven
            if uneven is not None:
                grey[own] -= uneven[at]
        row = np.full(half.size, -1)
        row[rows] = np.arange(rows.size)
        for i, j in near[half[near[:, 0]] == h]:
            used[row[i]] &= ~_hidden(found, width, i, j, u[row[i]], v[row[i]])
        begin = start[rows].copy()
        begin[:, 1:3] -= middle
        flat = (len(rows), -1)
        made.append(
            Windows(
                int(h),
                found.frame[rows],
                middle,
                grey.reshape(flat),
                used.reshape(flat),
                begin,
                cut[rows],
            )
        )
    return made
