"""Where markers stand off the line's axis: found with the motion, in axes that go with the line.

A marker is fixed to the line's side. Its arm turns with the line, so two numbers say it for the
whole record where the line does not twist. Early on, while the motion is still rough, a stand-off
is a spread of the marker's places; then each marker's own arm becomes an unknown.

How far markers stand off need not be stated. The equations at the fitted motion say what each arm
would be and how surely, and the marginal likelihood of those numbers, arms being normal of one
standard deviation, has its greatest value where markers on the axis have 0 (type II maximum
likelihood, as in Bishop, Pattern Recognition and Machine Learning, 2006, section 3.5; the section
from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.path import Path
from lashwave.estimate.setup import OFF_AXIS, FitSetup
from lashwave.estimate.sighting_rows import Weights, station_nodes
from lashwave.instruments import transported
from lashwave.quantities import Array

FAST, FEWEST = 0.25e-3, 50
"""Steps between times [s] that are too short to learn arms from; times that are enough."""
WIDEST = 10e-3
"""Standard deviation of arms with which their equations are formed [m]; the prior is taken out."""
TRIED = np.geomspace(0.1e-3, 20e-3, 60)
"""Stand-offs that are weighed [m]."""
TELLING, LEAST = 20.0, 1e-3
"""By how much -2 log likelihood must fall for a stand-off that nobody stated, and how far markers
must then stand off [m]: what chain and grid leave out looks like a few tenths of a millimetre."""


def likeliest(information: Array, pull: Array) -> tuple[float, float]:
    """Most likely stand-off [m], and by how much -2 log likelihood falls with it; (0, 0) for none.

    Parameters
    ----------
    information : (2 M, 2 M) [1/m2], what the sightings say of the arms' parts, nothing a priori.
    pull : (2 M,) [1/m], information times the arms they ask for.
    """
    value, vector = np.linalg.eigh(information)
    value, along = np.maximum(value, 0.0), vector.T @ pull
    gain = np.array([
        float((along**2 / (value + 2.0 / size**2)).sum() - np.log1p(value * size**2 / 2.0).sum())
        for size in TRIED
    ])  # fmt: skip
    best = int(gain.argmax())
    return (float(TRIED[best]), float(gain[best])) if gain[best] > 0.0 else (0.0, 0.0)


def slow_times(time: Array) -> int:
    """How many of the first times (K,) [s] are at least `FAST` apart, or all of them.

    Among faster ones the equations are so stiff that rounding drowns what they say of an arm that
    all markers share.
    """
    fast = np.flatnonzero(np.diff(time) < FAST)
    return int(fast[0]) + 1 if fast.size and fast[0] >= FEWEST else time.size


def learnt(normal: eq.Normal, factor: eq.Factor, arms: int) -> float:
    """Stand-off [m] that a fit without one asks for; 0 where it asks for none.

    normal, factor : at the fitted motion, with arms as `standing_off` with `WIDEST` adds them.
    arms : their number, the last of the shared parameters.
    """
    whole = np.linalg.inv(np.linalg.inv(factor.corner @ factor.corner.T)[-arms:, -arms:])
    asked = -eq.solve(factor, normal.gradient)[-arms:]
    size, gain = likeliest(whole - np.eye(arms) * 2.0 / WIDEST**2, whole @ asked)
    return size if gain > TELLING and size > LEAST else 0.0


def arms_followed(setup: FitSetup, path: Path, weights: Weights) -> Weights:
    """The weights with the axes of this path, held while it moves; as they are where no marker
    stands off."""
    if not any(name.startswith(OFF_AXIS[0]) for name in setup.shared.names):
        return weights
    return replace(weights, across=axes_across(setup, path))


def axes_across(setup: FitSetup, path: Path) -> Array:
    """(T, L, 2, 3), at each marker sample two unit vectors across the line that go with it.

    They take the smallest turn that carries the line's direction from sample to sample; a twist of
    the line is not followed. 0 for markers beside the grip's axis.
    """
    markers = setup.trial.markers
    axes = np.zeros((*markers.position.shape[:2], 2, 3))
    on_line = np.flatnonzero(~markers.on_handle)
    after = station_nodes(setup, markers.station[on_line])[0][:, 0]
    last = setup.chain.links - 1
    way = (
        path.direction[:, np.clip(after - 1, 0, last)] + path.direction[:, np.minimum(after, last)]
    )
    right = np.clip(np.searchsorted(path.time, markers.time), 1, path.time.size - 1)
    step = path.time[right] - path.time[right - 1]
    share = np.clip((markers.time - path.time[right - 1]) / step, 0.0, 1.0)[:, None, None]
    ahead = (1.0 - share) * way[right - 1] + share * way[right]
    ahead /= np.maximum(np.linalg.norm(ahead, axis=-1, keepdims=True), 1e-12)
    least = np.eye(3)[np.abs(ahead[0]).argmin(axis=-1)]
    axes[:, on_line, 0] = transported(ahead, least)
    axes[:, on_line, 1] = np.cross(ahead, axes[:, on_line, 0])
    return axes
