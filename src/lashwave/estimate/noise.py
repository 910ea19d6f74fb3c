"""How far the mechanics may be wrong: the density of the random acceleration at each node.

S = S0 + k |a|^p [m2/s3]. What the chain and the grid leave out was measured by putting converged
simulations on them: the mean square of the residual grows with the 1.2 to 1.5th power of the node's
own acceleration |a| from 1e2 to 1e7 m/s2, and near a rigid end, where bending is sharpest, it has a
floor. |a| is the largest over a fraction of a millisecond and the neighbouring nodes, so that a
peak that the path does not show yet is not held down. Where the line turns by more than the links
can follow, what they leave out grows with the fourth power of the angle between two of them
(second order in the link, squared).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from lashwave.estimate.path import Path, joint_angles
from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array

WINDOW = 0.2e-3
"""Half of the time over which the largest acceleration is taken [s]."""
FINE = 0.05e-3
UNFOLLOWED = 0.8
"""Angle between two links at which the density is doubled [rad]."""


def spread(setup: FitSetup, path: Path) -> Array:
    """(K, N + 1) [m2/s3]"""
    o = setup.options
    node = path.node
    h = np.diff(path.time)[:, None, None]
    jump = np.diff(np.diff(node, axis=0) / h, axis=0) / (0.5 * (h[1:] + h[:-1]))
    size = np.linalg.norm(jump, axis=-1)
    size = np.concatenate([size[:1], size, size[-1:]])
    size = maximum_filter1d(size, 3, axis=1)
    fine = np.arange(path.time[0], path.time[-1] + FINE, FINE)
    nearest = np.clip(np.searchsorted(path.time, fine), 0, path.time.size - 1)
    wide = maximum_filter1d(size[nearest], 2 * round(WINDOW / FINE) + 1, axis=0)
    place = np.clip(np.searchsorted(fine, path.time), 0, fine.size - 1)
    size = np.maximum(size, wide[place])
    stated = _floor(setup) + o.rough_density * size**o.rough_power
    return np.asarray(stated * (1.0 + (sharpest_joint(path) / UNFOLLOWED) ** 4))


def sharpest_joint(path: Path) -> Array:
    """(K, N + 1) [rad], largest angle between two links within two nodes of a node."""
    return np.asarray(maximum_filter1d(joint_angles(path), 5, axis=1))


def _floor(setup: FitSetup) -> Array:
    """(N + 1,) [m2/s3], higher next to rigid ends."""
    o = setup.options
    rank = np.arange(setup.chain.links + 1) - setup.first_link
    near = o.grip_density / np.maximum(rank, 1.0) ** 2
    if setup.trial.line.ends == "held":
        near = (
            near + o.grip_density / np.maximum(setup.last_link - rank - setup.first_link, 1.0) ** 2
        )
    return np.asarray(o.floor_density + near)
