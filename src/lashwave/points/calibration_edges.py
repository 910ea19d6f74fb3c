"""Corners between coded squares, from the edges that meet there and nothing of the codes.

The library refines a coded board's corners in a window that the codes' own edges enter: they pull
each corner by some 0.05 px, the same way in every image of one view. Here the corner is where the
edges' normals meet (Foerstner and Guelch, ISPRS 1987) over the pixels of four narrow strips along
the two edges, which the plan of the board keeps clear of the codes.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

REACH = 0.5
"""Of a square, along each edge: a lens bends longer ones."""
CLEAR = 1.5
"""Between a strip and the codes [px]: the optics' blur and the derivative's own reach."""
FEWEST = 12
"""Pixels of a corner's strips that are worth a fit."""
STEPS, SETTLED = 20, 1e-4
RAN = 1.0
"""A corner that goes farther from its start is left there [px]."""


def along_edges(image: NDArray, points: Array, uv: Array, square: float, gap: float) -> Array:
    """Corners (n, 2) [px] refined along the board's edges.

    Parameters
    ----------
    image : grey, of any depth.
    points : (n, 3) [m] on the board, not all in a line; uv : (n, 2) [px] where they are seen.
    square : side of a square [m]; gap : from its edge to its code [m].

    A corner whose strips are too narrow, or that runs off, stays where it was.
    """
    plan = cv2.findHomography(points[:, :2], uv)[0]
    if plan is None:
        return uv
    down, across = np.gradient(image.astype(float))
    found = uv.copy()
    for k, (place, start) in enumerate(zip(points, uv, strict=True)):
        corner = _corner(
            across, down, _slope(np.asarray(plan, dtype=float), place), start, REACH * square, gap
        )
        if corner is not None and np.linalg.norm(corner - start) < RAN:
            found[k] = corner
    return found


def _slope(plan: Array, place: Array) -> Array:
    """(2, 2) [px/m] derivative of where the board's points are seen, by its plane's projection."""
    h = plan @ np.array([place[0], place[1], 1.0])
    return np.asarray((plan[:2, :2] - np.outer(h[:2] / h[2], plan[2, :2])) / h[2])


def _corner(
    across: Array, down: Array, slope: Array, start: Array, reach: float, gap: float
) -> Array | None:
    """Where the normals of the edges meet; None where the strips hold too little."""
    inverse, area = np.linalg.inv(slope), abs(np.linalg.det(slope))
    # Distance from the x edge is |y| times this, and from the y edge |x| [px/m].
    wide = area / np.linalg.norm(slope, axis=0)
    radius = int(np.ceil(reach * np.linalg.norm(slope, 2))) + 1
    height, width = across.shape
    q = start.astype(float)
    for _ in range(STEPS):
        u, v = np.rint(q).astype(int)
        rows = slice(max(v - radius, 1), min(v + radius + 1, height - 1))
        columns = slice(max(u - radius, 1), min(u + radius + 1, width - 1))
        vv, uu = np.mgrid[rows, columns]
        off = np.abs(np.stack([uu - q[0], vv - q[1]], axis=-1) @ inverse.T)
        beside = off[..., ::-1] * wide  # of the x edge, of the y edge [px]
        inside = ((beside < gap * wide - CLEAR) & (off < reach)).any(axis=-1)
        if inside.sum() < FEWEST:
            return None
        normal = np.stack([across[rows, columns][inside], down[rows, columns][inside]], axis=-1)
        spot = np.stack([uu[inside], vv[inside]], axis=-1).astype(float)
        both = normal.T @ normal
        if np.linalg.det(both) < 1e-3 * np.trace(both) ** 2 / 4.0:
            return None  # one edge alone
        new = np.linalg.solve(both, (normal * (normal * spot).sum(axis=1)[:, None]).sum(axis=0))
        moved, q = float(np.linalg.norm(new - q)), new
        if moved < SETTLED or not np.linalg.norm(q - start) < RAN:
            break
    return q
