"""Which image points of two cameras can be one point in space.

Works on projections of any kind, parallel light included: the fundamental matrix from two 3 x 4
projections is made of 4 x 4 determinants of their rows (Hartley and Zisserman, Multiple View
Geometry, 2nd ed. 2004, eq. 17.3), and the distance from agreement is Sampson's (same, eq. 11.9).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lashwave.instruments.triangulation import undistort
from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import Camera


def fundamental(one: Camera, two: Camera) -> Array:
    """(3, 3) F with x2' F x1 = 0 for the undistorted homogeneous images of any point; of unit
    norm."""
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
