"""Shapes of bright spots and their least-squares fit, compiled: one cutout at a time.

Three shapes: elliptical dot, streak, and a pair of dots, each with its derivatives. All kernels
that these take in stand in this file, since numba knows a kept kernel by its own file. A shape is
chosen by its number, so that the fit is compiled once and not for each of them.
"""

from __future__ import annotations

from math import cos, erfc, exp, floor, pi, sin, sqrt

import numpy as np

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Mask

ELLIPSE, STREAK, PAIR = 0, 1, 2
"""Numbers of the shapes."""
SUMS = {"reassoc", "contract", "nsz"}
"""Sums may be taken in any order, several terms at a time; infinities stay what they are."""
FLOOR = -60.0
"""Exponents are no less: exp(-60) is no light [1]."""


@compiled(error_model="numpy")
def ellipse(p: Array, grid: Array, level: Array, slope: Array) -> None:
    """Fill in levels [grey levels] and derivatives of an elliptical Gaussian dot.

    Parameters
    ----------
    p : (7,) height, u, v, a, b, c, background: height exp(-(a x^2 + 2 b x y + c y^2) / 2) with
        [a b; b c] the inverse of the dot's covariance [px-2].
    grid : (2, N) [px] places of the pixels.
    level : (N,), slope : (7, N), filled in.
    """
    height, u, v, a, b, c, background = p[0], p[1], p[2], p[3], p[4], p[5], p[6]
    for n in range(grid.shape[1]):
        x, y = grid[0, n] - u, grid[1, n] - v
        ax, cy = a * x + b * y, b * x + c * y
        shape = exp(min(max(-0.5 * (ax * x + cy * y), FLOOR), 5.0))
        lit = height * shape
        slope[0, n] = shape
        slope[1, n] = lit * ax
        slope[2, n] = lit * cy
        slope[3, n] = -0.5 * lit * x * x
        slope[4, n] = -lit * x * y
        slope[5, n] = -0.5 * lit * y * y
        slope[6, n] = 1.0
        level[n] = lit + background


@compiled(error_model="numpy")
def _below(z: float) -> float:
    """Normal distribution function [1]."""
    return 0.5 * erfc(-z / sqrt(2.0))


@compiled(error_model="numpy")
def _bell(z: float) -> float:
    """Normal density [1]."""
    return exp(max(-0.5 * z * z, FLOOR)) / sqrt(2.0 * pi)


@compiled(error_model="numpy")
def streak(p: Array, grid: Array, level: Array, slope: Array) -> None:
    """Fill in levels [grey levels] and derivatives of a round dot drawn along a straight stroke.

    Parameters
    ----------
    p : (7,) height, u, v [px], log of the width, length [px], angle [rad], background. The
        stroke is evenly bright; the height is the level in its middle.
    grid : (2, N) [px] places of the pixels.
    level : (N,), slope : (7, N), filled in.
    """
    height, u, v, length, angle = p[0], p[1], p[2], p[4], p[5]
    c, s, width = cos(angle), sin(angle), exp(p[3])
    half = 0.5 * (1e-3 if abs(length) < 1e-3 else length)
    end = half / width
    middle, bell_end = 2.0 * _below(end) - 1.0, _bell(end)
    for n in range(grid.shape[1]):
        x, y = grid[0, n] - u, grid[1, n] - v
        along, across = x * c + y * s, y * c - x * s
        ahead, behind = (along + half) / width, (along - half) / width
        stroke = (_below(ahead) - _below(behind)) / middle
        side = exp(max(-0.5 * (across / width) ** 2, FLOOR))
        bell_ahead, bell_behind = _bell(ahead), _bell(behind)
        lit = height * side
        by_along = lit * (bell_ahead - bell_behind) / (middle * width)
        by_across = -lit * stroke * across / width**2
        grown = (bell_ahead * ahead - bell_behind * behind - 2.0 * stroke * bell_end * end) / middle
        slope[0, n] = side * stroke
        slope[1, n] = -by_along * c + by_across * s
        slope[2, n] = -by_along * s - by_across * c
        slope[3, n] = lit * (stroke * (across / width) ** 2 - grown)
        ends = bell_ahead + bell_behind - 2.0 * stroke * bell_end
        slope[4, n] = 0.5 * lit * ends / (middle * width)
        slope[5, n] = by_along * across - by_across * along
        slope[6, n] = 1.0
        level[n] = lit * stroke + p[6]


@compiled(error_model="numpy")
def pair(p: Array, grid: Array, level: Array, slope: Array) -> None:
    """Fill in levels [grey levels] and derivatives of two round dots of one width.

    Parameters
    ----------
    p : (8,) height, u, v [px] of one and of the other, log of the width, background.
    grid : (2, N) [px] places of the pixels.
    level : (N,), slope : (8, N), filled in.
    """
    width = exp(p[6])
    for n in range(grid.shape[1]):
        level[n], slope[6, n], slope[7, n] = p[7], 0.0, 1.0
        for k in range(0, 6, 3):
            x, y = (grid[0, n] - p[k + 1]) / width, (grid[1, n] - p[k + 2]) / width
            shape = exp(max(-0.5 * (x * x + y * y), FLOOR))
            lit = p[k] * shape
            slope[k, n] = shape
            slope[k + 1, n] = lit * x / width
            slope[k + 2, n] = lit * y / width
            slope[6, n] += lit * (x * x + y * y)
            level[n] += lit


@compiled(error_model="numpy")
def _shown(shape: int, p: Array, grid: Array, level: Array, slope: Array) -> None:
    """Fill in levels and derivatives of the shape of that number."""
    if shape == ELLIPSE:
        ellipse(p, grid, level, slope)
    elif shape == STREAK:
        streak(p, grid, level, slope)
    else:
        pair(p, grid, level, slope)


@compiled(error_model="numpy")
def _weights(level: Array, background: float, used: Mask, noise: tuple[float, float]) -> Array:
    """(N,) inverse variance of each pixel at its level; 0 where it is not used."""
    weight = np.zeros(level.size)
    for n in range(level.size):
        if used[n]:
            weight[n] = 1.0 / (noise[0] ** 2 + noise[1] * max(level[n] - background, 0.0))
    return weight


@compiled(error_model="numpy", fastmath=SUMS)
def _normal(slope: Array, weight: Array, rest: Array, normal: Array, pull: Array) -> None:
    """Fill in normal matrix (P, P) and right side (P,) of weighted rows."""
    for i in range(slope.shape[0]):
        total = 0.0
        for n in range(weight.size):
            total += slope[i, n] * weight[n] * rest[n]
        pull[i] = total
        for j in range(i + 1):
            total = 0.0
            for n in range(weight.size):
                total += slope[i, n] * weight[n] * slope[j, n]
            normal[i, j] = normal[j, i] = total


@compiled(error_model="numpy", fastmath=SUMS)
def _cost(weight: Array, data: Array, level: Array) -> float:
    total = 0.0
    for n in range(weight.size):
        total += weight[n] * (data[n] - level[n]) ** 2
    return total


@compiled(error_model="numpy")
def _solved(matrix: Array, right: Array) -> Array:
    """(P,) by elimination with the largest pivot; nan where there is none."""
    a, x = matrix.copy(), right.copy()
    for k in range(x.size):
        best = k
        for i in range(k + 1, x.size):
            if abs(a[i, k]) > abs(a[best, k]):
                best = i
        if not abs(a[best, k]) > 0.0:
            return np.full(x.size, np.nan)
        for j in range(x.size):
            a[k, j], a[best, j] = a[best, j], a[k, j]
        x[k], x[best] = x[best], x[k]
        for i in range(k + 1, x.size):
            share = a[i, k] / a[k, k]
            for j in range(k + 1, x.size):
                a[i, j] -= share * a[k, j]
            x[i] -= share * x[k]
    for k in range(x.size - 1, -1, -1):
        for j in range(k + 1, x.size):
            x[k] -= a[k, j] * x[j]
        x[k] /= a[k, k]
    return x


@compiled(error_model="numpy")
def _inverse(matrix: Array, turned: Array) -> None:
    """Fill in the inverse (P, P) of a matrix that is positive definite, by its Cholesky factor; nan
    where it is not."""
    count = len(matrix)
    root = np.zeros((count, count))
    for i in range(count):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= root[i, k] * root[j, k]
            root[i, j] = sqrt(total) if i == j else total / root[j, j]
    # The factor's own inverse, row by row; the inverse is its square.
    for i in range(count):
        root[i, i] = 1.0 / root[i, i]
        for j in range(i):
            total = 0.0
            for k in range(j, i):
                total -= root[i, k] * root[k, j]
            root[i, j] = total * root[i, i]
    for i in range(count):
        for j in range(i + 1):
            total = 0.0
            for k in range(i, count):
                total += root[k, i] * root[k, j]
            turned[i, j] = turned[j, i] = total


@compiled(error_model="numpy")
def _descended(
    shape: int, p: Array, grid: Array, data: Array, used: Mask, noise: tuple[float, float],
    steps: int,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Parameters (P,), levels (N,) and derivatives (P, N) of one cutout at its end."""
    count, pixels, damping = p.size, data.size, 1e-3
    level, slope = np.empty(pixels), np.empty((count, pixels))
    tried_level, tried_slope = np.empty(pixels), np.empty((count, pixels))
    normal, pull = np.empty((count, count)), np.empty(count)
    _shown(shape, p, grid, level, slope)
    for _ in range(steps):
        weight = _weights(level, p[-1], used, noise)
        cost = _cost(weight, data, level)
        _normal(slope, weight, data - level, normal, pull)
        diagonal = np.diag(normal).copy()
        for k in range(count):
            normal[k, k] = diagonal[k] * (1.0 + damping) + 1e-12
        move = _solved(normal, pull)
        tried = p + move
        _shown(shape, tried, grid, tried_level, tried_slope)
        tried_cost = _cost(weight, data, tried_level)
        # With photon noise the weights move too, and the cost may rise by a little at the end.
        better = tried_cost <= cost * (1.0 + 1e-6)
        # Each parameter's move in its own standard deviations, correlation left out; a cutout that
        # gains nothing more, or whose damping has grown, is at its end too.
        still = True
        for k in range(count):
            still = still and abs(move[k]) * sqrt(diagonal[k]) < 0.03
        if better:
            p, level, tried_level = tried, tried_level, level
            slope, tried_slope = tried_slope, slope
            damping = max(damping * 0.1, 1e-9)
            still = still or cost - tried_cost < 0.01 + 1e-4 * cost
        else:
            damping = min(damping * 10.0, 1e9)
            still = still or damping > 1e2
        if still:
            break
    return p, level, slope


@compiled(error_model="numpy")
def fit_each(
    shape: int, start: Array, grid: Array, data: Array, used: Mask, noise: tuple[float, float],
    steps: int,
) -> tuple[Array, Array, Array, Array, Array, Array]:  # fmt: skip
    """Fit one of the shapes to each cutout.

    Parameters
    ----------
    shape : its number; start : (D, P); grid : (2, N) [px]; data, used : (D, N).
    noise : of a pixel without light, and [grey levels] an electron; steps : at most [1].

    Returns
    -------
    Parameters (D, P), normal matrices (D, P, P) and their inverses, residuals (D, N) [grey levels],
    variances (D, N) of the pixels at the fitted levels, and chi-square (D,).
    """
    count = start.shape[1]
    final, normals = start.copy(), np.empty((len(start), count, count))
    inverses, chi2 = np.empty(normals.shape), np.zeros(len(start))
    rest, variance = np.zeros(data.shape), np.empty(data.shape)
    pull = np.empty(count)
    for d in range(len(start)):
        p, level, slope = _descended(shape, start[d], grid, data[d], used[d], noise, steps)
        weight = _weights(level, p[-1], used[d], noise)
        final[d] = p
        for n in range(level.size):
            if used[d, n]:
                rest[d, n] = data[d, n] - level[n]
            variance[d, n] = noise[0] ** 2 + noise[1] * max(level[n] - p[-1], 0.0)
            chi2[d] += rest[d, n] ** 2 / variance[d, n]
        _normal(slope, weight, rest[d], normals[d], pull)
        for k in range(count):
            normals[d, k, k] += 1e-12
        _inverse(normals[d], inverses[d])
    return final, normals, inverses, rest, variance, chi2


@compiled(error_model="numpy")
def odd_parts(rest: Array, used: Mask, centre: Array, half: int) -> tuple[Array, Mask]:
    """Square of the odd part of residuals, scaled to that of white noise.

    Parameters
    ----------
    rest, used : (D, N) residual and pixels that were fitted, row after row of (2 half + 1) px.
    centre : (D, 2) [px] of the spots from the cutout's middle.

    Returns
    -------
    square : (D, N), whose mean for white noise is its variance; known : (D, N) where it is known.
        The mirrored place lies between pixels and is read bilinearly.
    """
    n = 2 * half + 1
    square, known = np.zeros(rest.shape), used.copy()
    for d in range(len(rest)):
        twice_u = 2.0 * (min(max(centre[d, 0], -half), half) + half)
        twice_v = 2.0 * (min(max(centre[d, 1], -half), half) + half)
        low_u, low_v = floor(twice_u), floor(twice_v)
        right, lower = twice_u - low_u, twice_v - low_v
        spread = (lower**2 + (1 - lower) ** 2) * (right**2 + (1 - right) ** 2)
        for k in range(n * n):
            mirrored = 0.0
            for down in range(2):
                for along in range(2):
                    v, u = low_v - k // n + down, low_u - k % n + along
                    if v < 0 or v >= n or u < 0 or u >= n or not used[d, v * n + u]:
                        known[d, k] = False
                    v, u = min(max(v, 0), n - 1), min(max(u, 0), n - 1)
                    share = (lower if down else 1.0 - lower) * (right if along else 1.0 - right)
                    mirrored += share * rest[d, v * n + u]
            square[d, k] = (rest[d, k] - mirrored) ** 2 / (1.0 + spread)
    return square, known
