"""First guesses: the line from splines through its markers, side markers as they show there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.ends import driven_end
from lashwave.estimate.gaps import despiked, filled
from lashwave.estimate.path import Path, from_nodes
from lashwave.estimate.setup import Setup
from lashwave.quantities.arrays import Array
from lashwave.quantities.errors import NotConvergedError


def spline_path(setup: Setup, time: Array, shared: Array) -> Path:
    """Markers splined over time and along the line: for slow motion with all in sight."""
    from scipy.interpolate import CubicSpline

    markers = setup.trial.markers
    on_line = np.flatnonzero(np.isfinite(markers.station))
    order = on_line[np.argsort(markers.station[on_line])]
    place = filled(markers.time, despiked(markers.position[:, order]))
    keep = np.isfinite(place).all((0, 2))
    station, place = markers.station[order][keep], place[:, keep]
    if station.size < 3:
        raise NotConvergedError("fewer than three markers on the line were ever seen")
    at = CubicSpline(markers.time, place, axis=0)(time)
    curve = CubicSpline(station, at, axis=1, bc_type="natural")
    inner = np.clip(setup.chain.station, station[0], station[-1])
    node = curve(inner) + (setup.chain.station - inner)[None, :, None] * curve(inner, 1)
    return from_nodes(setup, time, node, shared)


def initial_shared(setup: Setup) -> Array:
    """Prior means; for markers on the grip's side, their place as the samples show it.

    Where two markers of the grip's axis are seen, and no such time, in the first moments, when the
    line's own spline gives the axis.
    """
    shared = setup.shared.mean.copy()
    markers = setup.trial.markers
    if setup.chain.handle_links == 0 or not markers.on_handle.any():
        return shared
    for li in np.flatnonzero(markers.on_handle):
        at, base, axis = _axis(setup, int(li), shared)
        arm = markers.position[at, li] - base
        height = (arm * axis).sum(-1)
        radius = np.linalg.norm(arm - height[:, None] * axis, axis=-1)
        for what, value in (("axial", height), ("radial", radius)):
            column = setup.shared.index(f"{what}:{markers.labels[li]}")
            if np.isfinite(value).any():
                shared[column] = np.nanmedian(value)
                setup.shared.mean[column] = shared[column]
    return shared


FIRST_LOOK = 20
"""Samples from which a side marker's place is guessed where the axis is never seen."""


def _axis(setup: Setup, label: int, shared: Array) -> tuple[NDArray[np.bool_], Array, Array]:
    """When (T,) the grip's axis can be told while a side marker is seen, its butt and direction."""
    markers = setup.trial.markers
    end = driven_end(setup, far=False)
    rigid = setup.trial.line.handle_length
    seen = np.isfinite(markers.position[:, label, 0])
    if (end.offset <= rigid).sum() >= 2 and (end.both & seen).any():
        at = end.both & seen
        grip = end.seen()
        base, _, _, axis, _, _ = grip.at(markers.time[at])
        return at, base, axis
    at = np.arange(markers.time.size) < FIRST_LOOK
    path = spline_path(setup, markers.time[at], shared)
    return at, path.base, path.direction[:, 0]
