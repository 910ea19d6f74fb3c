"""The viewing ray of a pixel: the inverse of the projection.

With parallel light all rays share the direction that the projection loses; with perspective all
start at the camera's centre (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, 6.2).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import Camera


@dataclass(frozen=True)
class Rays:
    """Straight lines in the lab."""

    origin: Array
    """(N, 3) [m]"""
    direction: Array
    """(N, 3) unit"""

    def distance(self, points: ArrayLike) -> Array:
        """Shortest distance [m] from each ray to its point; points (..., N, 3) or (..., 1, 3)."""
        away = np.asarray(points, dtype=float) - self.origin
        along = np.einsum("...nc,nc->...n", away, self.direction)
        squared = np.einsum("...nc,...nc->...n", away, away) - along**2
        return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


def rays(camera: Camera, uv: ArrayLike) -> Rays:
    """Viewing rays of pixels uv (N, 2) [px]; the lens distortion is undone first."""
    pixels = np.asarray(uv, dtype=float).reshape(-1, 2)
    if camera.distortion is not None and camera.intrinsics is not None and pixels.size:
        inner = np.asarray(camera.intrinsics, dtype=float)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-12)
        pixels = cv2.undistortPoints(
            pixels[:, None], inner, np.asarray(camera.distortion, dtype=float),
            R=np.eye(3), P=inner, criteria=stop,
        ).reshape(-1, 2)  # fmt: skip
    projection = np.asarray(camera.projection, dtype=float)
    block, shift = projection[:, :3], projection[:, 3]
    if not np.any(block[2]):
        flat = block[:2] / shift[2]
        direction = np.cross(flat[0], flat[1])
        direction /= np.linalg.norm(direction)
        origin = (pixels - shift[:2] / shift[2]) @ np.linalg.pinv(flat).T
        return Rays(origin, np.broadcast_to(direction, origin.shape))
    back = np.linalg.inv(block)
    centre = -back @ shift
    direction = np.column_stack([pixels, np.ones(len(pixels))]) @ back.T
    direction *= np.sign(np.linalg.det(block))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    return Rays(np.broadcast_to(centre, direction.shape), direction)
