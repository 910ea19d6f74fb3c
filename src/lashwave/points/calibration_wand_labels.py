"""Which of a wand's three dots is which, from their spacing in one image."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_BENT = 0.03
"""Distance of the middle dot from the line through the others, over their distance, to bear."""
_CLEAR = 0.2
"""Logarithm by which one order must fit better than the other."""


def order_three(uv: ArrayLike, places: ArrayLike) -> NDArray[np.int64]:
    """Which dot of the wand each of three image points is.

    A straight wand is straight in the image, and its gaps keep their ratio up to that of the
    depths of its ends. So the ratio must be far from 1: 0.15 and 0.35 m will do.

    Parameters
    ----------
    uv : (N, 3, 2) [px], three points in each of N images, in any order.
    places : (3,) of the dots along the wand [m], rising.

    Returns
    -------
    order : (N, 3), the dot that each point is; -1 in images where the points are on no line or
        the ratio of their gaps fits neither order clearly.
    """
    uv, places = np.asarray(uv, dtype=float), np.asarray(places, dtype=float)
    count = len(uv)
    rows = np.arange(count)
    # Along the line through the two that are furthest apart.
    apart = np.linalg.norm(uv[:, [1, 2, 0]] - uv[:, [2, 0, 1]], axis=-1)
    middle = np.argmax(apart, axis=1)  # that one faces the longest side
    first, last = (middle + 1) % 3, (middle + 2) % 3
    along = uv[rows, last] - uv[rows, first]
    length = np.linalg.norm(along, axis=-1)
    off = uv[rows, middle] - uv[rows, first]
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / length**2
        share = (along * off).sum(axis=-1) / length**2
        ratio = np.log(share / (1.0 - share))
    wanted = np.log((places[1] - places[0]) / (places[2] - places[1]))
    forward, backward = np.abs(ratio - wanted), np.abs(ratio + wanted)
    order = np.full((count, 3), -1)
    for start, end, fits in (
        (first, last, forward < backward - _CLEAR),
        (last, first, backward < forward - _CLEAR),
    ):
        good = fits & (bent < _BENT) & np.isfinite(ratio)
        for dot, point in ((0, start), (1, middle), (2, end)):
            order[rows[good], point[good]] = dot
    return order
