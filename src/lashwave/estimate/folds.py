"""How far a marker's place is open where the line folds more sharply than its links follow.

A link is one arc. Of how its turn is really spread along it the joints say nothing: all of it at
the ends leaves the chord as long as the link, all of it in the middle leaves l cos(turn / 2). So
next to a fold the links put a marker wrong by millimetres along the line, for as long as the fold
takes to pass, and a marker that is believed to its own tenths of a millimetre there shifts the
stations of the whole record. Between the two chords every length is as likely, which gives the
standard deviation l (1 - cos(turn / 2)) / sqrt(12).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from lashwave.estimate.path import Path, joint_angles
from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array

NEAR = 2
"""Links to either side of a marker that count."""


def open_chords(setup: FitSetup, path: Path) -> Array:
    """(K, N) [m], standard deviation of each link's chord by how its turn is spread; 0 of rigid
    ends, which do not bend."""
    joint = joint_angles(path)
    turn = 0.5 * (joint[:, 1:] + joint[:, :-1])
    out = setup.chain.length * (1.0 - np.cos(0.5 * turn)) / np.sqrt(12.0)
    out[:, : setup.chain.handle_links] = 0.0
    out[:, setup.chain.links - setup.chain.held_links :] = 0.0
    return np.asarray(out)


def fold_spread(setup: FitSetup, path: Path) -> Array:
    """(T, L) [m], standard deviation that folds leave to each marker sample's place; 0 of markers
    on the grip, and before and after the path."""
    markers = setup.trial.markers
    near = maximum_filter1d(open_chords(setup, path), 2 * NEAR, axis=1)  # links i - 2 to i + 1
    out = np.zeros(markers.position.shape[:2])
    inside = (markers.time >= path.time[0]) & (markers.time <= path.time[-1])
    after = np.clip(np.searchsorted(path.time, markers.time[inside]), 1, path.time.size - 1)
    station = setup.chain.station
    for i in np.flatnonzero(markers.station > station[setup.first_link] + 1e-6):
        node = int(np.abs(station - markers.station[i]).argmin())
        here = near[:, min(node, setup.chain.links - 1)]
        out[inside, i] = np.maximum(here[after - 1], here[after])
    return out
