"""The camera with a lens as fifteen parameters: intrinsics, distortion, pose; and back.

Order of the parameters: fx, fy, cx, cy [px], k1, k2, p1, p2, k3 (Brown 1971), the rotation vector
rx, ry, rz [rad] from lab to camera axes, and tx, ty, tz [m], the lab's origin in camera axes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities.arrays import Array
from lashwave.quantities.calibration import Calibration

LENS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
POSE = ("rx", "ry", "rz", "tx", "ty", "tz")
NAMES = LENS + POSE
UNITS = {
    **dict.fromkeys(("fx", "fy", "cx", "cy"), "px"),
    **dict.fromkeys(("k1", "k2", "p1", "p2", "k3"), "1"),
    **dict.fromkeys(("rx", "ry", "rz"), "rad"),
    **dict.fromkeys(("tx", "ty", "tz"), "m"),
}


def intrinsics(parameters: ArrayLike) -> Array:
    """(3, 3) camera matrix."""
    fx, fy, cx, cy = np.asarray(parameters, dtype=float)[:4]
    return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])


def rotation_matrix(vector: ArrayLike) -> Array:
    """(3, 3) of a rotation vector (3,)."""
    turn = cv2.Rodrigues(np.asarray(vector, dtype=float).reshape(3, 1))[0]
    return np.asarray(turn, dtype=float)


def rotation_vector(matrix: ArrayLike) -> Array:
    """(3,) of a rotation matrix (3, 3)."""
    vector = cv2.Rodrigues(np.asarray(matrix, dtype=float))[0]
    return np.asarray(vector, dtype=float).ravel()


def lens_of(calibration: Calibration) -> Array:
    """(9,) lens parameters of a calibration with intrinsics."""
    inner = calibration.intrinsics
    if inner is None:
        raise ValueError("the calibration has no intrinsics")
    bend = np.zeros(5) if calibration.distortion is None else calibration.distortion
    return np.array([inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *bend])


def lens_covariance(calibration: Calibration) -> Array:
    """(9, 9) covariance of the lens parameters; 0 for one that was held fixed."""
    result = np.zeros((9, 9))
    here = [i for i, name in enumerate(LENS) if name in calibration.parameters]
    there = [calibration.parameters.index(LENS[i]) for i in here]
    result[np.ix_(here, here)] = calibration.covariance[np.ix_(there, there)]
    return result


def project_points(parameters: ArrayLike, points: ArrayLike) -> tuple[Array, Array]:
    """Image points (n, 2) [px] of lab points (n, 3), and their derivative (n, 2, 15)."""
    x = np.asarray(parameters, dtype=float)
    spots = np.ascontiguousarray(np.asarray(points, dtype=float).reshape(-1, 1, 3))
    seen, slope = cv2.projectPoints(spots, x[9:12], x[12:15], intrinsics(x), x[4:9])
    # The library's order: rotation, translation, focal lengths, centre, distortion.
    ours = np.concatenate([slope[:, 6:15], slope[:, :6]], axis=1)
    return (
        np.asarray(seen, dtype=float).reshape(-1, 2),
        np.asarray(ours, dtype=float).reshape(-1, 2, 15),
    )


def depths(parameters: ArrayLike, points: ArrayLike) -> Array:
    """(n,) distance ahead of the camera [m]."""
    x = np.asarray(parameters, dtype=float)
    return np.asarray(np.asarray(points) @ rotation_matrix(x[9:12])[2] + x[14])


def projection_of(parameters: ArrayLike) -> Array:
    """(3, 4): intrinsics @ [R | t]."""
    x = np.asarray(parameters, dtype=float)
    return intrinsics(x) @ np.column_stack([rotation_matrix(x[9:12]), x[12:15]])


@dataclass(frozen=True)
class KnownLens:
    """What an earlier calibration says of a lens, as a prior for a new fit."""

    mean: Array
    """(9,)"""
    free: NDArray[np.bool_]
    """(9,) which have a covariance; the others stay as they are."""
    whiten: Array
    """(q, 9): from a departure from the mean to q unit residuals."""

    def residuals(self, lens: Array) -> Array:
        """(q,) of unit variance."""
        return np.asarray(self.whiten @ (lens - self.mean))


def known_lens(calibration: Calibration) -> KnownLens:
    """The lens of a calibration as a prior."""
    mean, covariance = lens_of(calibration), lens_covariance(calibration)
    free = np.asarray(np.diag(covariance) > 0.0)
    root = np.diag(covariance)[free] ** 0.5
    # Whitened through the correlation matrix: variances span 18 decades.
    relation = covariance[np.ix_(free, free)] / np.outer(root, root)
    values, vectors = np.linalg.eigh(relation)
    whiten = np.zeros((root.size, 9))
    whiten[:, free] = (vectors / np.sqrt(np.maximum(values, 1e-12))).T / root
    return KnownLens(mean, free, whiten)
