"""Images of a board as a camera with a lens takes them, by sampling the board under each pixel.

Each pixel is the mean over a grid of rays; a ray is bent by the lens (inverted numerically by
OpenCV, whose inverse another test holds against the instrument) and cut with the board's plane.
"""

from __future__ import annotations

import cv2
import numpy as np

from lashwave.calibrate.corners import Board, charuco
from lashwave.calibrate.pinhole import intrinsics, rotation_matrix

cv2.setNumThreads(1)
OVER = 3
DARK, LIGHT = 0.15, 0.85


def rays(full: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(height * OVER, width * OVER, 2) slopes x / z, y / z of the rays under an image."""
    width, height = size
    along = (np.arange(width * OVER) + 0.5) / OVER - 0.5
    down = (np.arange(height * OVER) + 0.5) / OVER - 0.5
    uv = np.stack(np.meshgrid(along, down), axis=-1).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 30, 1e-10)
    flat = cv2.undistortPoints(uv, intrinsics(full), full[4:9], criteria=stop)
    return flat.reshape(height * OVER, width * OVER, 2)


def chessboard(board: Board, xy: np.ndarray) -> np.ndarray:
    """Shade of a chessboard whose first inner corner is its origin; light around it."""
    place = np.floor(xy / board.square).astype(int) + 1
    dark = (place.sum(axis=-1) % 2) == 0
    on = ((place >= 0) & (place < (board.columns, board.rows))).all(axis=-1)
    return np.where(on & dark, DARK, LIGHT)


def coded(board: Board, xy: np.ndarray) -> np.ndarray:
    """Shade of a ChArUco board, from a fine print of it."""
    fine = 40
    print_ = charuco(board).generateImage((board.columns * fine, board.rows * fine))
    spot = np.floor(xy / board.square * fine).astype(int)
    on = ((spot >= 0) & (spot < (print_.shape[1], print_.shape[0]))).all(axis=-1)
    spot = np.clip(spot, 0, (print_.shape[1] - 1, print_.shape[0] - 1))
    return np.where(on & (print_[spot[..., 1], spot[..., 0]] < 128), DARK, LIGHT)


def render(
    board: Board, slopes: np.ndarray, pose: np.ndarray, noise: float, random: np.random.Generator
) -> np.ndarray:
    """16-bit image of a board at a pose (rotation vector, translation), noise a share of full."""
    turn = rotation_matrix(pose[:3])
    # X_camera = R x + t; the ray s (x, y, 1) meets the plane where n . (ray s - t) = 0.
    normal = turn[:, 2]
    rays3 = np.concatenate([slopes, np.ones((*slopes.shape[:2], 1))], axis=-1)
    length = (normal @ pose[3:]) / (rays3 @ normal)
    xy = (rays3 * length[..., None] - pose[3:]) @ turn[:, :2]
    shade = chessboard(board, xy) if board.marker is None else coded(board, xy)
    height, width = shade.shape[0] // OVER, shade.shape[1] // OVER
    image = shade.reshape(height, OVER, width, OVER).mean(axis=(1, 3))
    # An optical blur of half a pixel, as any lens has.
    image = cv2.GaussianBlur(image, (0, 0), 0.5)
    image = image + noise * random.standard_normal(image.shape)
    return np.clip(np.rint(image * 65535), 0, 65535).astype(np.uint16)


def poses(board: Board, count: int, random: np.random.Generator) -> np.ndarray:
    """(count, 6): boards that fill a third of the view, tilted up to 35 degrees."""
    middle = 0.5 * np.array([board.columns - 2, board.rows - 2, 0]) * board.square
    if board.marker is not None:
        middle = 0.5 * np.array([board.columns, board.rows, 0]) * board.square
    found = []
    for k in range(count):
        turn = np.array([0.5 * np.cos(2.4 * k), 0.5 * np.sin(2.4 * k), random.uniform(-0.3, 0.3)])
        place = np.array([0.13 * np.cos(1.7 * k), 0.09 * np.sin(2.9 * k), random.uniform(0.75, 1)])
        found.append([*turn, *(place - rotation_matrix(turn) @ middle)])
    return np.array(found)
