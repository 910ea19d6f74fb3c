"""How far the mechanics may be wrong: the density of the random acceleration at each node.

S = S0 + T (r |a|)^2 [m2/s3]: a floor, larger next to a rigid end where bending is sharpest, and a
share r of the node's own acceleration, the same for about T. |a| is the largest over a millisecond
and the neighbouring nodes, so that a peak that the path does not show yet is not held down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from lashwave.estimate.path import Path
from lashwave.estimate.setup import Setup

Array = NDArray[np.float64]
WINDOW = 0.5e-3
"""Half of the time over which the largest acceleration is taken [s]."""


def spread(
    setup: Setup, path: Path, relative: float | None = None, floor: float | None = None
) -> Array:
    """(K, N + 1) [m2/s3]"""
    o = setup.options
    node = path.node
    h = np.diff(path.time)[:, None, None]
    jump = np.diff(np.diff(node, axis=0) / h, axis=0) / (0.5 * (h[1:] + h[:-1]))
    size = np.linalg.norm(jump, axis=-1)
    size = np.concatenate([size[:1], size, size[-1:]])
    size = maximum_filter1d(size, 3, axis=1)
    fine = np.arange(path.time[0], path.time[-1] + 0.1e-3, 0.1e-3)
    nearest = np.clip(np.searchsorted(path.time, fine), 0, path.time.size - 1)
    wide = maximum_filter1d(size[nearest], 2 * round(WINDOW / 0.1e-3) + 1, axis=0)
    place = np.clip(np.searchsorted(fine, path.time), 0, fine.size - 1)
    size = np.maximum(size, wide[place])
    base = np.full(setup.chain.links + 1, o.calm_density if floor is None else floor)
    start = setup.first_link + 1
    base[start : start + 2] = np.maximum(base[start : start + 2], o.grip_density)
    if setup.trial.line.ends == "held":
        base[setup.last_link - 2 : setup.last_link + 1] = o.grip_density
    share = o.relative if relative is None else relative
    return np.asarray(base + o.relative_time * (share * size) ** 2)
