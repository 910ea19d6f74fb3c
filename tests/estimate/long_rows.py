"""Rows in the unknowns of all links, from those that stay next to a node."""

from __future__ import annotations

import numpy as np

from lashwave.estimate.local_rows import WIDE, far_moves, whole, windows
from lashwave.estimate.path import Path
from lashwave.quantities import Array


def blank(links: int, laws: int) -> Array:
    """Rows (N + 1, 3, 3 WIDE + laws + 1) to be filled."""
    return np.zeros((links + 1, 3, 3 * WIDE + laws + 1))


def windows_of(reach: Array) -> Array:
    """Of three times, from their `link_reach`."""
    return np.stack([windows(d) for d in reach])


def long_rows(row: Array, reach: Array) -> tuple[Array, Array]:
    """Rows (3 (N + 1), 3 n + laws), the three times first, and residuals (3 (N + 1),)."""
    far = np.stack([far_moves(d) for d in reach])
    out = np.zeros((row.shape[0], 3, 3 * far.shape[2] + row.shape[2] - 3 * WIDE - 1))
    for i in range(row.shape[0]):
        for a in range(3):
            whole(row[i, a], i, far, out[i, a])
    out[..., 3 * far.shape[2] :] = row[..., 3 * WIDE : -1]
    return out.reshape(-1, out.shape[2]), row[..., -1].ravel()


def place_slopes(path: Path, reach: Array) -> Array:
    """(K, N + 1, 3, n) [m/rad]: how the nodes' places move with a time's own unknowns."""
    count, links = path.chord.shape
    out = np.zeros((count, links + 1, 3, 3 + 2 * links))
    out[..., :3] = np.eye(3)
    for j in range(links):
        for r, link in enumerate((j - 1, j, j + 1)):
            if 0 <= link < links:
                out[:, link + 1 :, :, 3 + 2 * j : 5 + 2 * j] += reach[:, None, j, r]
    return out
