"""Shapes of bright spots on a pixel grid: elliptical dot, streak, and a pair of dots.

Each model takes parameters (D, P) and the grid (2, N) of pixel places about the window's middle,
and gives levels (D, N) and their derivatives (D, P, N). Light is sampled at pixel centres; that a
pixel gathers over its area widens the dot by a variance of 1/12 px2, to better than 0.1 % of the
peak where the standard width is over 0.7 px ("well sampled").
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtr

from lashwave.quantities.arrays import Array

Model = Callable[[Array, Array], tuple[Array, Array]]

ELLIPSE = ("height", "u", "v", "a", "b", "c", "ground")
"""exp(-(a x^2 + 2 b x y + c y^2) / 2), [a b; b c] the inverse of the dot's covariance [px-2]."""
STREAK = ("height", "u", "v", "log_width", "length", "angle", "ground")
"""A round dot drawn along a straight stroke at even brightness."""
PAIR = ("height", "u", "v", "height_2", "u_2", "v_2", "log_width", "ground")
"""Two round dots of one width."""


def ellipse(p: Array, grid: Array) -> tuple[Array, Array]:
    """Elliptical Gaussian."""
    height, u, v, a, b, c, ground = (p[:, k, None] for k in range(7))
    x, y = grid[0] - u, grid[1] - v
    ax, cy = a * x + b * y, b * x + c * y
    shape = np.exp(np.clip(-0.5 * (ax * x + cy * y), -60.0, 5.0))
    lit = height * shape
    jacobian = np.empty((len(p), 7, grid.shape[1]))
    jacobian[:, 0] = shape
    jacobian[:, 1] = lit * ax
    jacobian[:, 2] = lit * cy
    half = -0.5 * lit
    jacobian[:, 3] = half * x * x
    jacobian[:, 4] = 2.0 * half * x * y
    jacobian[:, 5] = half * y * y
    jacobian[:, 6] = 1.0
    return lit + ground, jacobian


def streak(p: Array, grid: Array) -> tuple[Array, Array]:
    """A round dot drawn along a stroke; `height` is its level in the middle."""
    height, u, v, log_width, length, angle, ground = (p[:, k, None] for k in range(7))
    cos, sin, width = np.cos(angle), np.sin(angle), np.exp(log_width)
    x, y = grid[0] - u, grid[1] - v
    along, across = x * cos + y * sin, y * cos - x * sin
    half = 0.5 * np.where(np.abs(length) < 1e-3, 1e-3, length)
    ahead, behind, end = (along + half) / width, (along - half) / width, half / width
    middle = 2.0 * ndtr(end) - 1.0
    stroke = (ndtr(ahead) - ndtr(behind)) / middle
    side = np.exp(np.maximum(-0.5 * (across / width) ** 2, -60.0))
    bell_ahead, bell_behind, bell_end = (
        np.exp(np.maximum(-0.5 * z * z, -60.0)) / np.sqrt(2 * np.pi) for z in (ahead, behind, end)
    )
    lit = height * side
    by_along = lit * (bell_ahead - bell_behind) / (middle * width)
    by_across = -lit * stroke * across / width**2
    grown = (bell_ahead * ahead - bell_behind * behind - 2.0 * stroke * bell_end * end) / middle
    jacobian = np.empty((len(p), 7, grid.shape[1]))
    jacobian[:, 0] = side * stroke
    jacobian[:, 1] = -by_along * cos + by_across * sin
    jacobian[:, 2] = -by_along * sin - by_across * cos
    jacobian[:, 3] = lit * (stroke * (across / width) ** 2 - grown)
    jacobian[:, 4] = (
        0.5 * lit * (bell_ahead + bell_behind - 2.0 * stroke * bell_end) / (middle * width)
    )
    jacobian[:, 5] = by_along * across - by_across * along
    jacobian[:, 6] = 1.0
    return lit * stroke + ground, jacobian


def pair(p: Array, grid: Array) -> tuple[Array, Array]:
    """Two round dots of one width."""
    width = np.exp(p[:, 6, None])
    jacobian = np.zeros((len(p), 8, grid.shape[1]))
    level = np.zeros((len(p), grid.shape[1])) + p[:, 7, None]
    for k in (0, 3):
        x, y = (grid[0] - p[:, k + 1, None]) / width, (grid[1] - p[:, k + 2, None]) / width
        shape = np.exp(np.maximum(-0.5 * (x * x + y * y), -60.0))
        lit = p[:, k, None] * shape
        jacobian[:, k] = shape
        jacobian[:, k + 1] = lit * x / width
        jacobian[:, k + 2] = lit * y / width
        jacobian[:, 6] += lit * (x * x + y * y)
        level += lit
    jacobian[:, 7] = 1.0
    return level, jacobian
