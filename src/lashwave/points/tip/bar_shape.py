"""The end of a dark bar and its least-squares fit, compiled: one picture at a time.

All kernels that these take in stand in this file, since numba knows a kept kernel by its own file.
The bar is a sum of slabs along its axis (Gauss and Legendre's nodes across it), each blurred in
closed form. Far behind its end it is two edges, which need no sum.
"""

from __future__ import annotations

from math import cos, erfc, exp, hypot, pi, sin, sqrt

import numpy as np

from lashwave.mechanics import compiled
from lashwave.quantities import Array

PARAMETERS = 11
"""Of the bar: tip u, v, angle, bend, log width, log blur, depth, level, roundness, taper, curl."""
FEWEST, MOST = 8, 64
"""Nodes across the bar, at least and at most."""
FAR = 6.5
"""Blurs from an edge beyond which it adds less than 1e-10 of the light."""


def _tables() -> tuple[Array, Array]:
    """Nodes and weights (MOST - FEWEST + 1, MOST), row by count; the rest of a row is 0."""
    rows = np.zeros((2, MOST - FEWEST + 1, MOST))
    for row, count in enumerate(range(FEWEST, MOST + 1)):
        rows[:, row, :count] = np.polynomial.legendre.leggauss(count)
    return rows[0], rows[1]


NODES, WEIGHTS = _tables()
STROKE = np.array(np.polynomial.legendre.leggauss(5))
"""(2, 5): moments of the exposure from -1 to 1, and their weights."""


@compiled(error_model="numpy")
def _below(z: float) -> float:
    """Normal distribution function [1]."""
    return 0.5 * erfc(-z / sqrt(2.0))


@compiled(error_model="numpy")
def _long(across: float, half: float, blur: float, out: Array) -> None:
    """Fill in `_slabs` of a place far behind the end: two edges."""
    right, left = (half - across) / blur, (-half - across) / blur
    bell_right = exp(-0.5 * right * right) / sqrt(2.0 * pi)
    bell_left = exp(-0.5 * left * left) / sqrt(2.0 * pi)
    out[0] = _below(right) - _below(left)
    out[1] = out[5] = 0.0
    out[2] = (bell_left - bell_right) / blur
    out[3] = (bell_left + bell_right) / blur
    out[4] = (bell_left * left - bell_right * right) / blur


@compiled(error_model="numpy")
def _slabs(
    along: float, across: float, half: float, blur: float, roundness: float,
    nodes: Array, weights: Array, count: int, out: Array,
) -> None:  # fmt: skip
    """Fill in darkness (6,) of a blurred bar at one place, then its derivative by each of along,
    across, half, blur and roundness. nodes, weights : (MOST,), of which `count` are used."""
    out[:] = 0.0
    reach = FAR * blur
    if (along > roundness * half + reach and along > reach) or abs(across) > half + reach:
        return
    if along < min(roundness * half, 0.0) - reach:
        _long(across, half, blur, out)
        return
    share = half / (blur * sqrt(2.0 * pi))
    for n in range(count):
        off = (across - half * nodes[n]) / blur
        if abs(off) > FAR:
            continue
        bulge = sqrt(1.0 - nodes[n] * nodes[n])
        past = (roundness * half * bulge - along) / blur
        slab = exp(-0.5 * off * off) * share * weights[n]
        filled = slab * _below(past)
        rim = slab * exp(-0.5 * past * past) / (blur * sqrt(2.0 * pi))
        out[0] += filled
        out[1] -= rim
        out[2] -= filled * off / blur
        out[3] += filled * off * nodes[n] / blur + roundness * rim * bulge
        out[4] += filled * (off * off - 1.0) / blur - rim * past
        out[5] += half * rim * bulge
    out[3] += out[0] / half


@compiled(error_model="numpy")
def draw_bar(
    p: Array, places: Array, strokes: Array, nodes: Array, weights: Array,
    dark: Array, slope: Array,
) -> None:  # fmt: skip
    """Fill in the darkness of the bar and its derivatives.

    Parameters
    ----------
    p : (11,), as `PARAMETERS`; places : (P, 2) [px].
    strokes : (3, S) u, v [px] of moments of the exposure from its middle, and their shares of it.
    nodes, weights : the tables `NODES` and `WEIGHTS`.
    dark : (P,), slope : (P, 11), filled in.
    """
    c, s, half, blur = cos(p[2]), sin(p[2]), 0.5 * exp(p[4]), exp(p[5])
    bar = np.empty(6)
    longest = 0.0
    for n in range(places.shape[0]):
        along = c * (places[n, 0] - p[0]) + s * (places[n, 1] - p[1])
        longest = max(longest, -along)
    most = max(half + p[9] * (longest + hypot(strokes[0, 0], strokes[1, 0])), half)
    # Nodes must lie closer than the blur.
    count = FEWEST if most <= 3.0 * blur else min(FEWEST + 4 * int(most / blur), MOST)
    row = count - FEWEST
    for n in range(places.shape[0]):
        dark[n] = 0.0
        for k in range(PARAMETERS):
            slope[n, k] = 0.0
        for m in range(strokes.shape[1]):
            du = places[n, 0] - p[0] - strokes[0, m]
            dv = places[n, 1] - p[1] - strokes[1, m]
            along, level = c * du + s * dv, c * dv - s * du
            behind = min(along, 0.0)
            # Off the bent axis, and square to it.
            off = level - behind * behind * (p[3] / 2.0 + p[10] * behind / 6.0)
            turn, bend = behind * (p[3] + 0.5 * p[10] * behind), p[3] + p[10] * behind
            square = 1.0 / sqrt(1.0 + turn * turn)
            lean = -off * turn * square**3
            wide = max(half - p[9] * behind, 0.3 * half)
            _slabs(along, off * square, wide, blur, p[8], nodes[row], weights[row], count, bar)
            share = strokes[2, m]
            by_along, by_level = bar[1], square * bar[2]
            if behind < 0.0:
                by_along += (lean * bend - turn * square) * bar[2] - p[9] * bar[3]
            dark[n] += share * bar[0]
            slope[n, 0] += share * (s * by_level - c * by_along)
            slope[n, 1] -= share * (c * by_level + s * by_along)
            slope[n, 2] += share * (level * by_along - along * by_level)
            slope[n, 3] += share * behind * (lean * bar[2] - 0.5 * behind * by_level)
            slope[n, 4] += share * half * bar[3]
            slope[n, 5] += share * blur * bar[4]
            slope[n, 8] += share * bar[5]
            slope[n, 9] -= share * behind * bar[3]
            slope[n, 10] += share * behind**2 * (lean * bar[2] / 2.0 - behind * by_level / 6.0)
        for k in range(PARAMETERS):
            slope[n, k] *= p[6]
        slope[n, 6], slope[n, 7] = dark[n], 1.0
        dark[n] = p[6] * dark[n] + p[7]


@compiled(error_model="numpy")
def _misfits(
    dark: Array, seen: Array, weight: Array, least: float, p: Array, expected: Array, tight: Array
) -> float:
    """Chi-square of a picture and of what is expected of the parameters [1]."""
    total = 0.0
    for n in range(seen.size):
        total += (weight[n] * (max(dark[n], least) - seen[n])) ** 2
    for k in range(p.size):
        total += (tight[k] * (p[k] - expected[k])) ** 2
    return total


@compiled(error_model="numpy")
def _equations(
    dark: Array, slope: Array, seen: Array, weight: Array, least: float,
    p: Array, expected: Array, tight: Array, normal: Array, pull: Array,
) -> None:  # fmt: skip
    """Fill in the normal matrix (11, 11) and right side (11,) at p."""
    normal[:] = 0.0
    for k in range(p.size):
        normal[k, k] = tight[k] ** 2
        pull[k] = -(tight[k] ** 2) * (p[k] - expected[k])
    for n in range(seen.size):
        if dark[n] <= least:
            continue
        square = weight[n] * weight[n]
        off = square * (seen[n] - dark[n])
        for i in range(p.size):
            pull[i] += slope[n, i] * off
            weighted = square * slope[n, i]
            for j in range(i + 1):
                normal[i, j] += weighted * slope[n, j]
    for i in range(p.size):
        for j in range(i):
            normal[j, i] = normal[i, j]


@compiled(error_model="numpy")
def fit_bar(
    start: Array, places: Array, seen: Array, weight: Array, strokes: Array, least: float,
    expected: Array, tight: Array, nodes: Array, weights: Array, steps: int,
) -> tuple[Array, Array, float, bool]:  # fmt: skip
    """Fit the bar to a picture (Levenberg's damped steps, each parameter scaled by its curvature).

    Parameters
    ----------
    start : (11,); places : (P, 2) [px]; seen : (P,) darkness; weight : (P,) one over its sd.
    least : what is less dark counts as this dark.
    expected, tight : (11,) of the parameters, and one over the sd of that; 0 where nothing is.

    Returns
    -------
    Parameters (11,), their normal matrix (11, 11), chi-square of the picture alone, and whether it
    came to rest within `steps`.
    """
    p, damping, rests = start.copy(), 1e-3, False
    dark, slope = np.empty(seen.size), np.empty((seen.size, p.size))
    tried_dark, tried_slope = np.empty(seen.size), np.empty((seen.size, p.size))
    normal, pull = np.empty((p.size, p.size)), np.empty(p.size)
    draw_bar(p, places, strokes, nodes, weights, dark, slope)
    cost = _misfits(dark, seen, weight, least, p, expected, tight)
    for _ in range(steps):
        _equations(dark, slope, seen, weight, least, p, expected, tight, normal, pull)
        damped = normal.copy()
        for k in range(p.size):
            damped[k, k] = normal[k, k] * (1.0 + damping) + 1e-12
        move = np.linalg.solve(damped, pull)
        tried = p + move
        draw_bar(tried, places, strokes, nodes, weights, tried_dark, tried_slope)
        new = _misfits(tried_dark, seen, weight, least, tried, expected, tight)
        if new <= cost:
            rests = cost - new < 1e-6 * cost
            p, cost, damping = tried, new, max(0.1 * damping, 1e-9)
            dark, tried_dark = tried_dark, dark
            slope, tried_slope = tried_slope, slope
        else:
            damping = 10.0 * damping
            rests = damping > 1e4
        if rests or not np.isfinite(cost):
            break
    _equations(dark, slope, seen, weight, least, p, expected, tight, normal, pull)
    for k in range(p.size):
        cost -= (tight[k] * (p[k] - expected[k])) ** 2
    return p, normal, cost, rests
