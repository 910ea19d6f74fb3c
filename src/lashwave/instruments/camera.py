"""What a camera reads of a point: projection, its derivative, and the blur of the exposure.

The projection is homogeneous, 3 x 4, lab metres to px (Hartley and Zisserman, Multiple View
Geometry, 2nd ed. 2004, ch. 6). A last row [0, 0, 0, 1] is parallel (collimated) light. The lens
distortion is Brown's (Photogramm. Eng. 37, 1971, 855): radial k1, k2, k3 and decentring p1, p2,
on image coordinates normalised by the intrinsics; with four numbers k1 to k4 it is that of a
fisheye lens (Kannala and Brandt, IEEE Trans. Pattern Anal. 28, 2006, 1335), as OpenCV has it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities import Array, Camera


def _homogeneous(camera: Camera, points: Array) -> tuple[Array, Array]:
    """Undistorted pixel times depth (..., 2) and depth (...); depth is nan behind the camera."""
    projection = np.asarray(camera.projection, dtype=float)
    image = points @ projection[:, :3].T + projection[:, 3]
    depth = image[..., 2]
    side = facing(camera)
    if side != 0.0 and np.any(projection[2, :3] != 0.0):
        depth = np.where(side * depth > 0.0, depth, np.nan)
    return image[..., :2], depth


def facing(camera: Camera) -> float:
    """Sign [1] of the third homogeneous coordinate of what stands in front; 0 for parallel light.

    A negative determinant is a projection with its sign turned, and "in front" turns with it; of
    a view in a mirror, whose own frame is left-handed, it is the other way round.
    """
    side = float(np.sign(np.linalg.det(np.asarray(camera.projection, dtype=float)[:, :3])))
    return -side if camera.mirrored else side


def windowed(camera: Camera) -> Camera:
    """The camera with its own view alone: pixels count from its window's corner.

    Of what was seen nothing is moved; one without a window is as it was.
    """
    if camera.window is None:
        return camera
    shift = np.eye(3)
    shift[:2, 2] = -camera.window.corner
    inner = camera.intrinsics
    return replace(
        camera,
        size=camera.window.size,
        window=None,
        projection=shift @ np.asarray(camera.projection, dtype=float),
        intrinsics=None if inner is None else shift @ np.asarray(inner, dtype=float),
    )


def _bend(camera: Camera, pixels: Array) -> tuple[Array, Array | None]:
    """Distorted pixels (..., 2) and their derivative (..., 2, 2); None where there is no lens."""
    if camera.distortion is None or camera.intrinsics is None:
        return pixels, None
    if len(camera.distortion) == 4:
        return _bend_fisheye(camera, pixels)
    k1, k2, p1, p2, k3 = (float(c) for c in camera.distortion)
    inner = np.asarray(camera.intrinsics, dtype=float)
    scale, centre = inner[:2, :2], inner[:2, 2]
    back = np.linalg.inv(scale)
    xy = (pixels - centre) @ back.T
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)  # d radial / d r2
    bent = np.stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ],
        axis=-1,
    )
    cross = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    inside = np.stack(
        [
            np.stack([radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x, cross], axis=-1),
            np.stack([cross, radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x], axis=-1),
        ],
        axis=-2,
    )
    return bent @ scale.T + centre, scale @ inside @ back


def _bend_fisheye(camera: Camera, pixels: Array) -> tuple[Array, Array]:
    """As `_bend`; a ray at the angle a off the axis falls at a (1 + k1 a2 + ... + k4 a8)."""
    inner = np.asarray(camera.intrinsics, dtype=float)
    terms = np.concatenate([[1.0], np.asarray(camera.distortion, dtype=float)])
    scale, centre = inner[:2, :2], inner[:2, 2]
    back = np.linalg.inv(scale)
    xy = (pixels - centre) @ back.T
    radius = np.maximum(np.hypot(xy[..., 0], xy[..., 1]), 1e-9)
    angle = np.arctan(radius)
    powers = angle[..., None] ** (2.0 * np.arange(5))
    ratio = angle * (powers @ terms) / radius
    steep = (powers @ (terms * (2.0 * np.arange(5) + 1.0))) / (1.0 + radius**2)
    way = xy / radius[..., None]
    # Along the radius the image stretches by its slope, across it by the ratio of the radii.
    inside = ratio[..., None, None] * np.eye(2) + (steep - ratio)[..., None, None] * (
        way[..., :, None] * way[..., None, :]
    )
    return (xy * ratio[..., None]) @ scale.T + centre, scale @ inside @ back


def project(camera: Camera, points: ArrayLike) -> Array:
    """Image of lab points.

    Parameters
    ----------
    points : (..., 3) [m]

    Returns
    -------
    uv : (..., 2) [px], u right, v down, pixel centres whole numbers; nan for a point behind a
        perspective camera.
    """
    scaled, depth = _homogeneous(camera, np.asarray(points, dtype=float))
    return _bend(camera, scaled / depth[..., None])[0]


def project_jacobian(camera: Camera, points: ArrayLike) -> Array:
    """Derivative of `project` by the point, (..., 2, 3) [px/m]; nan behind the camera."""
    points = np.asarray(points, dtype=float)
    projection = np.asarray(camera.projection, dtype=float)
    scaled, depth = _homogeneous(camera, points)
    pixels = scaled / depth[..., None]
    slope = (projection[:2, :3] - pixels[..., None] * projection[2, :3]) / depth[..., None, None]
    bend = _bend(camera, pixels)[1]
    return slope if bend is None else bend @ slope


def in_view(camera: Camera, uv: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
    """Whether image points (..., 2) [px] fall in the camera's view, `margin` px inside its edges.

    The view is the sensor, or the camera's window of it.
    """
    uv = np.asarray(uv, dtype=float)
    first, size = np.zeros(2), camera.size
    if camera.window is not None:
        first, size = camera.window.corner, camera.window.size
    low, high = first + (margin - 0.5), first + np.asarray(size, dtype=float) - 0.5 - margin
    return np.asarray(((uv >= low) & (uv <= high)).all(axis=-1))


_GAUSS = np.polynomial.legendre.leggauss(3)


def exposed(
    camera: Camera, times: ArrayLike, place: Callable[[Array], Array], exposure: float | None = None
) -> Array:
    """Centroid of the blur that a moving point leaves: its image averaged over the exposure.

    Parameters
    ----------
    times : (P,) [s], lab times of the exposures' middles.
    place : from times (Q,) to points (Q, 3) [m].
    exposure : [s]; the camera's own by default.

    Returns
    -------
    uv : (P, 2) [px]. Three Gauss points: exact for a path that is a quintic in the image.
    """
    times = np.asarray(times, dtype=float)
    width = camera.exposure if exposure is None else exposure
    if width <= 0.0:
        return project(camera, place(times))
    spread = times[:, None] + 0.5 * width * _GAUSS[0]
    uv = project(camera, place(spread.ravel())).reshape(times.size, 3, 2)
    return np.asarray(np.einsum("q,pqc->pc", 0.5 * _GAUSS[1], uv))


def streaks(camera: Camera) -> Array:
    """How far each of a camera's tracked points moves within its exposure.

    By the neighbouring points of its feature, as they were tracked.

    Returns
    -------
    way : (P, 2) [px]; 0 where a feature was seen once.
    """
    way = np.zeros((camera.frame.size, 2))
    time = camera.counted(camera.frame) / camera.rate
    for station in np.unique(camera.station):
        own = np.flatnonzero(camera.station == station)
        own = own[np.argsort(time[own], kind="stable")]
        if own.size > 1:
            way[own] = np.gradient(camera.uv[own], time[own], axis=0) * camera.exposure
    return way
