"""The middle of a dark line to a fraction of a pixel, along a way that is near it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lashwave.points.background import Plane
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array


def sampled(plane: Plane, spots: Array) -> Array:
    """Values at places (..., 2) [px], linear between pixels, 0 outside."""
    u, v = spots[..., 0].astype(np.float32), spots[..., 1].astype(np.float32)
    return np.asarray(cv2.remap(plane, u, v, cv2.INTER_LINEAR)).astype(float)


@dataclass(frozen=True)
class CentreLine:
    """The middle of the dark line in one frame, from near its tip inward."""

    uv: Array
    """(M, 2) [px]"""
    sd: Array
    """(M,) [px] across the line"""
    arc: Array
    """(M,) [px] along the line from the first point"""


def smooth(way: Array, window: int = 9) -> Array:
    """Running mean [px] of a way (W, 2) [px], its ends kept in place by mirroring through them."""
    half = min(window // 2, len(way) - 1)
    if half == 0:
        return way
    head = 2 * way[0] - way[half:0:-1]
    tail = 2 * way[-1] - way[-2 : -half - 2 : -1]
    long = np.concatenate([head, way, tail])
    total = np.cumsum(np.concatenate([np.zeros((1, 2)), long]), axis=0)
    width = 2 * half + 1
    return np.asarray((total[width:] - total[:-width]) / width)


def centre_line(
    dark: Plane,
    noise: Plane,
    way: Array,
    width: float | None = None,
    settings: TipSettings = TIP,
) -> CentreLine:
    """Sub-pixel middle of the line along a way: centroid of the darkness across, twice.

    Parameters
    ----------
    dark, noise : relative darkness of the frame and its standard deviation.
    way : (W, 2) [px] within 2 px of the middle.
    width : of the line [px], where it is wide.
    """
    line = smooth(way)
    half = max(settings.trace_half, np.ceil(0.65 * (width or 0.0) + 3.0))
    offsets = np.arange(-half, half + 0.25, 0.5)
    for _ in range(2):
        tangent = np.gradient(line, axis=0)
        tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
        spots = line[:, None] + offsets[None, :, None] * normal[:, None]
        cut = sampled(dark, spots)
        peak = np.maximum(cut[:, np.abs(offsets) <= 2.0].max(axis=1), 1e-3)
        # From the middle outward, up to where the dark ends: another strand may lie beside it.
        body = cut > 0.25 * peak[:, None]
        middle = offsets.size // 2
        right = np.logical_and.accumulate(body[:, middle:], axis=1)
        left = np.logical_and.accumulate(body[:, middle::-1], axis=1)[:, :0:-1]
        body = np.concatenate([left, right], axis=1)
        mass = np.where(body, cut, 0.0)
        total = np.maximum(mass.sum(axis=1), 1e-3)
        shift = np.where(body.any(axis=1), mass @ offsets / total, 0.0)
        line = line + smooth(shift[:, None] * normal, 5)
    level = sampled(noise, line[:, None])
    # Half-pixel samples share their noise in pairs, and the running mean joins five ways.
    arm = np.sqrt((body * np.square(offsets)).sum(axis=1) * 2.0 / 5.0)
    sd = np.hypot(level[:, 0] * arm / total, 0.02)
    step = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return CentreLine(line, sd, np.concatenate([[0.0], np.cumsum(step)]))
