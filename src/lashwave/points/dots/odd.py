"""The part of a fit's residual that is odd about the spot's centre.

A spot that is round but no Gaussian (a disc, a halo) leaves a residual that is even about its
centre and moves the centre nowhere. What is odd, moves it: noise, a neighbour, coma.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array, Mask

EVEN = 4
"""Of an ellipse fit's 7 parameters, about so many are taken from a window's odd half: the two of
the centre, and the half counts double."""


def _mirror(centre: Array, half: int) -> tuple[NDArray[np.int64], Array]:
    """Along one axis: lower of the two pixels (D, n) about each mirrored place, share (D,) of the
    upper."""
    twice = 2.0 * (centre + half)
    low = np.floor(twice).astype(np.int64)
    return low[:, None] - np.arange(2 * half + 1), twice - low


def odd_noise(rest: Array, used: Mask, centre: Array, half: int) -> tuple[Array, Mask]:
    """Square of the odd part of a residual, scaled to that of white noise.

    Parameters
    ----------
    rest, used : (D, N) residual and pixels that were fitted, row after row of (2 half + 1) px.
    centre : (D, 2) [px] of the spots from the window's middle.

    Returns
    -------
    square : (D, N), whose mean for white noise is its variance; told : (D, N) where it is known.
        The mirrored place lies between pixels and is read bilinearly.
    """
    n = 2 * half + 1
    square, good = rest.reshape(-1, n, n), used.reshape(-1, n, n)
    centre = np.clip(centre, -half, half)
    column, right = _mirror(centre[:, 0], half)
    row, lower = _mirror(centre[:, 1], half)
    which = np.arange(len(rest))[:, None, None]
    mirrored, told = np.zeros_like(square), good.copy()
    for shift_v, share_v in ((0, 1.0 - lower), (1, lower)):
        for shift_u, share_u in ((0, 1.0 - right), (1, right)):
            v, u = row + shift_v, column + shift_u
            inside = ((v >= 0) & (v < n))[:, :, None] & ((u >= 0) & (u < n))[:, None, :]
            v, u = np.clip(v, 0, n - 1)[:, :, None], np.clip(u, 0, n - 1)[:, None, :]
            share = share_v * share_u
            mirrored += share[:, None, None] * square[which, v, u]
            told &= inside & good[which, v, u]
    spread = (lower**2 + (1 - lower) ** 2) * (right**2 + (1 - right) ** 2)
    odd = (square - mirrored) ** 2 / (1.0 + spread)[:, None, None]
    return odd.reshape(rest.shape), told.reshape(rest.shape)


def odd_ratio(rest: Array, used: Mask, centre: Array, half: int, variance: Array | float) -> Array:
    """Noise seen over noise stated (D,), as a ratio of variances, by the odd part alone."""
    square, told = odd_noise(rest, used, centre, half)
    count = told.sum(axis=1)
    seen = np.where(told, square / variance, 0.0).sum(axis=1)
    return np.asarray(seen / np.maximum(count - EVEN, 1))
