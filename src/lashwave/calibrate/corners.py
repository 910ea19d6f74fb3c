"""Corners of a calibration board in an image, by OpenCV.

Chessboards: the sector-based detector (Duda and Frese, BMVC 2018). ChArUco: a chessboard with coded
squares, of which a part may be hidden. A plain board's corners are then refined on the full depth
of the image to where the edges' normals meet (Foerstner and Guelch, ISPRS 1987): from some 0.2 px
to 0.03 px; those of coded squares in strips that the codes do not enter.
Pixel centres are whole numbers, as everywhere here.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.quantities import Array


def along_edges(
    image: NDArray,
    points: Array,
    uv: Array,
    square: float,
    gap: float,
    settings: CalibrateSettings = CALIBRATE,
) -> Array:
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
            across,
            down,
            _slope(np.asarray(plan, dtype=float), place),
            start,
            settings.corner_reach * square,
            gap,
            settings,
        )
        if corner is not None and np.linalg.norm(corner - start) < settings.corner_ran:
            found[k] = corner
    return found


def _slope(plan: Array, place: Array) -> Array:
    """(2, 2) [px/m] derivative of where the board's points are seen, by its plane's projection."""
    h = plan @ np.array([place[0], place[1], 1.0])
    return np.asarray((plan[:2, :2] - np.outer(h[:2] / h[2], plan[2, :2])) / h[2])


def _corner(
    across: Array,
    down: Array,
    slope: Array,
    start: Array,
    reach: float,
    gap: float,
    settings: CalibrateSettings,
) -> Array | None:
    """Where the normals of the edges meet; None where the strips hold too little."""
    inverse, area = np.linalg.inv(slope), abs(np.linalg.det(slope))
    # Distance from the x edge is |y| times this, and from the y edge |x| [px/m].
    wide = area / np.linalg.norm(slope, axis=0)
    radius = int(np.ceil(reach * np.linalg.norm(slope, 2))) + 1
    height, width = across.shape
    q = start.astype(float)
    for _ in range(settings.corner_steps):
        u, v = np.rint(q).astype(int)
        rows = slice(max(v - radius, 1), min(v + radius + 1, height - 1))
        columns = slice(max(u - radius, 1), min(u + radius + 1, width - 1))
        vv, uu = np.mgrid[rows, columns]
        off = np.abs(np.stack([uu - q[0], vv - q[1]], axis=-1) @ inverse.T)
        beside = off[..., ::-1] * wide  # of the x edge, of the y edge [px]
        inside = ((beside < gap * wide - settings.corner_clear) & (off < reach)).any(axis=-1)
        if inside.sum() < settings.corner_fewest:
            return None
        normal = np.stack([across[rows, columns][inside], down[rows, columns][inside]], axis=-1)
        spot = np.stack([uu[inside], vv[inside]], axis=-1).astype(float)
        both = normal.T @ normal
        if np.linalg.det(both) < 1e-3 * np.trace(both) ** 2 / 4.0:
            return None  # one edge alone
        new = np.linalg.solve(both, (normal * (normal * spot).sum(axis=1)[:, None]).sum(axis=0))
        moved, q = float(np.linalg.norm(new - q)), new
        if moved < settings.corner_settled or not np.linalg.norm(q - start) < settings.corner_ran:
            break
    return q


DICTIONARIES = tuple(
    name.removeprefix("DICT_").lower()
    for name in dir(cv2.aruco)
    if name.startswith(("DICT_4X4", "DICT_5X5", "DICT_6X6", "DICT_7X7"))
)
"""Sets of codes that a ChArUco board can bear, e.g. "5x5_100"."""


@dataclass(frozen=True)
class Board:
    """A flat board of equal squares; its frame has the origin at a corner and z = 0."""

    columns: int
    """Squares across."""
    rows: int
    """Squares down."""
    square: float
    """Side of a square [m]."""
    marker: float | None = None
    """Side of a coded marker [m], for ChArUco; None for a plain chessboard."""
    dictionary: str = "5x5_100"


@dataclass(frozen=True)
class Corners:
    """Corners found in one image."""

    points: Array
    """(n, 3) [m], on the board."""
    uv: Array
    """(n, 2) [px]"""
    common: float = 1.0
    """What errors that neighbouring corners have in common multiply a fit's deviations by."""


def grey8(image: NDArray) -> NDArray[np.uint8]:
    """An 8-bit image (H, W) [1] of one of 8 or 16 bits; 16 bits are stretched to what is used."""
    if image.dtype == np.uint8:
        return np.ascontiguousarray(image)
    low, high = np.percentile(image, (0.1, 99.9))
    stretched = (image.astype(np.float32) - low) * (255.0 / max(high - low, 1.0))
    return np.clip(np.rint(stretched), 0, 255).astype(np.uint8)


def find_corners(
    image: NDArray, board: Board, settings: CalibrateSettings = CALIBRATE
) -> Corners | None:
    """Corners of a board in a picture, [m] on the board and [px]; None where it is not seen.

    A plain chessboard must be seen whole; of a ChArUco board at least 6 corners.

    Parameters
    ----------
    image : (H, W) grey, 8 or 16 bit.
    """
    grey = grey8(image)
    if board.marker is not None:
        return _coded(image, grey, board, settings)
    shape = (board.columns - 1, board.rows - 1)
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    found, uv = cv2.findChessboardCornersSB(grey, shape, flags=flags)
    if not found:
        return None
    across, down = np.meshgrid(np.arange(shape[0]), np.arange(shape[1]))
    points = np.stack([across.ravel(), down.ravel(), np.zeros(across.size)], axis=1)
    return Corners(np.asarray(points * board.square, dtype=float), _refined(image, uv))


def squares_in(image: NDArray) -> tuple[int, int] | None:
    """How many squares across and down the chessboard in a picture (H, W) has; no unit. None where
    it shows none of 4 squares or more either way. It may be turned: 9 x 6 or 6 x 9."""
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_LARGER
    grey, sizes = grey8(image), []
    for least in ((3, 3), (4, 3), (5, 4)):  # from a small one a part of the board may be found
        found, _, layout = cv2.findChessboardCornersSBWithMeta(grey, least, flags)
        if found:
            sizes.append((layout.shape[1] + 1, layout.shape[0] + 1))
    return max(sizes, key=lambda size: size[0] * size[1], default=None)


def _refined(image: NDArray, uv: NDArray) -> Array:
    """(n, 2) corners, each in a window that reaches a third of the way to the nearest other."""
    start = np.asarray(uv, dtype=np.float32).reshape(-1, 1, 2)
    near = cKDTree(start[:, 0]).query(start[:, 0], k=2)[0][:, 1]
    reach = int(np.clip(np.min(near) / 3.0, 2, 15))
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-4)
    fine = cv2.cornerSubPix(image.astype(np.float32), start.copy(), (reach, reach), (-1, -1), stop)
    # A corner that ran off its start had something else in its window.
    far = np.linalg.norm(fine - start, axis=2, keepdims=True) > 0.5 * reach
    return np.asarray(np.where(far, start, fine), dtype=float).reshape(-1, 2)


def charuco(board: Board) -> cv2.aruco.CharucoBoard:
    """The library's board, e.g. to print it; raises ValueError for a plain chessboard."""
    if board.marker is None:
        raise ValueError("a plain chessboard has no codes")
    codes = cv2.aruco.getPredefinedDictionary(
        getattr(cv2.aruco, "DICT_" + board.dictionary.upper())
    )
    return cv2.aruco.CharucoBoard((board.columns, board.rows), board.square, board.marker, codes)


def _coded(
    image: NDArray, grey: NDArray[np.uint8], board: Board, settings: CalibrateSettings
) -> Corners | None:
    assert board.marker is not None
    plan = charuco(board)
    uv, names, _, _ = cv2.aruco.CharucoDetector(plan).detectBoard(grey)
    if names is None or len(names) < 6:
        return None
    points = np.asarray(plan.getChessboardCorners(), dtype=float)[np.ravel(names)]
    start = np.asarray(uv, dtype=float).reshape(-1, 2)
    gap = 0.5 * (board.square - board.marker)
    return Corners(
        points,
        along_edges(image, points, start, board.square, gap, settings=settings),
        settings.corner_common,
    )
