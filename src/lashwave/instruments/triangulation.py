"""A point in space from its images: its ray, its match in another camera, its place.

The place is found from two or more cameras, with its covariance. A linear start (each image
coordinate is a plane through the point; Hartley and Sturm, Comput. Vis. Image Underst. 68 (1997)
146, section 5.1), then Gauss-Newton on the image residuals, which is the maximum of the likelihood
where the noise of the images is Gaussian. The covariance is that of the linearised fit,
(J' W J)^-1 with W = 1 / sd^2: it holds while the sd in space is small against the distance to the
cameras. Cameras are taken as known exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.instruments.camera import facing, project, project_jacobian
from lashwave.quantities import Array, Camera

_STEPS = 20
_FLAT = 1e-14
"""Least over greatest eigenvalue of J' W J at and below which a point is not determined."""


def undistort(camera: Camera, uv: ArrayLike) -> Array:
    """Image points (..., 2) [px] as the same camera would see them without its lens distortion.

    Good to about 1e-9 px where the distortion can be inverted.
    """
    uv = np.asarray(uv, dtype=float)
    if camera.distortion is None or camera.intrinsics is None:
        return uv
    flat = np.ascontiguousarray(uv.reshape(-1, 1, 2))
    seen = np.isfinite(flat).all(axis=(1, 2))
    straight = np.full_like(flat, np.nan)
    if seen.any():
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-13)
        inner = np.asarray(camera.intrinsics, dtype=float)
        bend = np.asarray(camera.distortion, dtype=float)
        if bend.size == 4:
            found = cv2.fisheye.undistortPoints(flat[seen], inner, bend, P=inner, criteria=stop)
            straight[seen] = found
            return straight.reshape(uv.shape)
        straight[seen] = cv2.undistortPoints(flat[seen], inner, bend, P=inner, criteria=stop)
    return straight.reshape(uv.shape)


def triangulate_many(
    cameras: Sequence[Camera], uv: ArrayLike, sd: ArrayLike
) -> tuple[Array, Array]:
    """N points from their images in C cameras.

    Parameters
    ----------
    cameras : C of them.
    uv : (N, C, 2) [px]; nan where a camera did not see the point.
    sd : (N, C) or (C,) of one image coordinate [px].

    Returns
    -------
    points : (N, 3) [m]; nan where fewer than two cameras saw one, where the rays are parallel, or
        where the best point lies behind a camera.
    covariance : (N, 3, 3) [m2]; inf where the point is nan.
    """
    uv = np.asarray(uv, dtype=float)
    count, views = uv.shape[:2]
    weight = 1.0 / np.broadcast_to(np.asarray(sd, dtype=float), (count, views))
    weight = np.where(np.isfinite(uv).all(axis=-1), weight, 0.0)
    points = _linear(cameras, uv, weight)
    points[(weight > 0.0).sum(axis=1) < 2] = np.nan
    active = np.asarray(np.isfinite(points).all(axis=1))
    for _ in range(_STEPS):
        if not active.any():
            break
        normal, pull = _normal(cameras, points[active], uv[active], weight[active])
        step = _solve(normal, pull)
        points[active] += step
        moved = np.abs(step).max(axis=1) > 1e-12 * (1.0 + np.abs(points[active]).max(axis=1))
        active[active] = moved
    normal, _ = _normal(cameras, points, uv, weight)
    covariance = _inverse(normal)
    points[~np.isfinite(covariance).all(axis=(1, 2))] = np.nan
    covariance[~np.isfinite(points).all(axis=1)] = np.inf
    return points, covariance


def _linear(cameras: Sequence[Camera], uv: Array, weight: Array) -> Array:
    """(N, 3): nearest to all planes that the image coordinates stand for, as distances in space."""
    normal = np.zeros((uv.shape[0], 3, 3))
    pull = np.zeros((uv.shape[0], 3))
    for c, camera in enumerate(cameras):
        projection = np.asarray(camera.projection, dtype=float)
        straight = undistort(camera, uv[:, c])
        planes = straight[:, :, None] * projection[2] - projection[:2]
        planes /= np.linalg.norm(planes[..., :3], axis=-1, keepdims=True)
        planes = np.where(weight[:, c, None, None] > 0.0, planes, 0.0)
        normal += np.einsum("nki,nkj->nij", planes[..., :3], planes[..., :3])
        pull -= np.einsum("nki,nk->ni", planes[..., :3], planes[..., 3])
    return _solve(normal, pull)


def _normal(
    cameras: Sequence[Camera], points: Array, uv: Array, weight: Array
) -> tuple[Array, Array]:
    """J' W J (N, 3, 3) and J' W r (N, 3); nan for a point behind a camera that saw it."""
    normal = np.zeros((points.shape[0], 3, 3))
    pull = np.zeros((points.shape[0], 3))
    for c, camera in enumerate(cameras):
        seen = weight[:, c] > 0.0
        scale = weight[seen, c, None]
        slope = project_jacobian(camera, points[seen]) * scale[..., None]
        rest = (uv[seen, c] - project(camera, points[seen])) * scale
        normal[seen] += np.einsum("nki,nkj->nij", slope, slope)
        pull[seen] += np.einsum("nki,nk->ni", slope, rest)
    return normal, pull


def _determined(normal: Array) -> NDArray[np.bool_]:
    """(N,) whether each matrix is finite and of full rank."""
    good = np.asarray(np.isfinite(normal).all(axis=(1, 2)))
    values = np.linalg.eigvalsh(np.where(good[:, None, None], normal, 0.0))
    return np.asarray(good & (values[:, 0] > _FLAT * values[:, 2]))


def _solve(normal: Array, pull: Array) -> Array:
    good = _determined(normal)
    result = np.full(pull.shape, np.nan)
    result[good] = np.linalg.solve(normal[good], pull[good][..., None])[..., 0]
    return result


def _inverse(normal: Array) -> Array:
    good = _determined(normal)
    result = np.full(normal.shape, np.nan)
    result[good] = np.linalg.inv(normal[good])
    return result


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
    """Viewing rays of pixels uv (N, 2) [px]; the lens distortion is undone first.

    With parallel light all rays share the direction that the projection loses; with perspective all
    start at the camera's centre (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, 6.2).
    """
    pixels = np.asarray(uv, dtype=float).reshape(-1, 2)
    if camera.distortion is not None and len(camera.distortion) == 4:
        pixels = undistort(camera, pixels)
    elif camera.distortion is not None and camera.intrinsics is not None and pixels.size:
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
    direction *= facing(camera)
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    return Rays(np.broadcast_to(centre, direction.shape), direction)


def fundamental(one: Camera, two: Camera) -> Array:
    """(3, 3) F with x2' F x1 = 0 [1] for the undistorted homogeneous images of any point.

    Of unit norm; made of 4 x 4 determinants of the projections' rows (Hartley and Zisserman,
    Multiple View Geometry, 2nd ed. 2004, eq. 17.3), so it holds for parallel light too.
    """
    first = np.asarray(one.projection, dtype=float)
    second = np.asarray(two.projection, dtype=float)
    matrix = np.empty((3, 3))
    for j in range(3):
        for i in range(3):
            rows = np.vstack([np.delete(first, i, axis=0), np.delete(second, j, axis=0)])
            matrix[j, i] = (-1.0) ** (i + j) * np.linalg.det(rows)
    return matrix / np.linalg.norm(matrix)


def disagreement(
    one: Camera, two: Camera, uv1: ArrayLike, uv2: ArrayLike, sd1: ArrayLike, sd2: ArrayLike
) -> Array:
    """Chi-square (D1, D2), one degree of freedom, that two image points show one place.

    Sampson's distance from agreement (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004,
    eq. 11.9).

    Parameters
    ----------
    uv1 : (D1, 2), uv2 : (D2, 2) [px]; sd1 : (D1,), sd2 : (D2,) of an image coordinate [px].
    """
    matrix = fundamental(one, two)
    ahead = _homogeneous(undistort(one, uv1)) @ matrix.T  # lines in the second image
    back = _homogeneous(undistort(two, uv2)) @ matrix  # lines in the first
    value = ahead @ _homogeneous(undistort(two, uv2)).T
    by_two = np.sum(ahead[:, None, :2] ** 2, axis=-1) * np.asarray(sd2, dtype=float) ** 2
    by_one = np.sum(back[None, :, :2] ** 2, axis=-1) * np.asarray(sd1, dtype=float)[:, None] ** 2
    return np.asarray(value**2 / (by_one + by_two))


def _homogeneous(uv: Array) -> Array:
    return np.column_stack([uv, np.ones(len(uv))])
