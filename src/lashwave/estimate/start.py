"""First guesses: the grip's path from its markers, and the line from splines through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.path import Path, from_nodes
from lashwave.estimate.setup import Setup
from lashwave.mechanics.grip import Grip
from lashwave.quantities.errors import NotConvergedError

Array = NDArray[np.float64]


def filled(time: Array, position: Array) -> Array:
    """Marker samples (T, L, 3) with their gaps bridged by a monotone cubic, ends held."""
    from scipy.interpolate import PchipInterpolator

    whole = np.empty_like(position)
    for label in range(position.shape[1]):
        seen = np.isfinite(position[:, label, 0])
        if seen.sum() < 2:
            whole[:, label] = np.nan
            continue
        first, last = np.flatnonzero(seen)[[0, -1]]
        curve = PchipInterpolator(time[seen], position[seen, label], axis=0)
        whole[:, label] = curve(np.clip(time, time[first], time[last]))
    return whole


def _despiked(position: Array) -> Array:
    """Samples far off their running median (2 cm and 8 robust deviations) left out."""
    from scipy.ndimage import median_filter

    clean = position.copy()
    for label in range(position.shape[1]):
        seen = np.flatnonzero(np.isfinite(position[:, label, 0]))
        if seen.size < 9:
            continue
        own = position[seen, label]
        off = np.linalg.norm(own - median_filter(own, size=(7, 1), mode="nearest"), axis=1)
        bad = off > max(0.02, 8 * 1.4826 * float(np.median(off)))
        clean[seen[bad], label] = np.nan
    return clean


def end_path(setup: Setup, far: bool) -> Grip:
    """A driven end, from the markers nearest to it: base point and direction by least squares.

    With fewer than two markers on the rigid part the next ones on the line are taken too; this is
    only the first guess, the fit itself weighs them properly.
    """
    trial = setup.trial
    station, length = trial.markers.station, trial.line.length
    on_line = np.flatnonzero(np.isfinite(station))
    order = on_line[np.argsort(station[on_line])]
    if far:
        used, origin = order[-2:], length
    else:
        inside = order[station[order] <= trial.line.handle_length + 1e-9]
        used, origin = (inside if inside.size >= 2 else order[:2]), 0.0
    if used.size < 2:
        raise NotConvergedError("fewer than two markers near a driven end: its motion is unknown")
    place = filled(trial.markers.time, _despiked(trial.markers.position[:, used]))
    if not np.isfinite(place).all():
        raise NotConvergedError(
            "a marker that gives the motion of a driven end is never seen; its motion is unknown"
        )
    s = station[used] - origin
    design = np.stack([np.ones_like(s), s], axis=1)
    fit = np.einsum("pl,tla->tpa", np.linalg.pinv(design), place)
    from scipy.signal import savgol_filter

    window = min(9, trial.markers.time.size // 2 * 2 - 1)
    smooth = savgol_filter(fit, window, 3, axis=0)
    return Grip(trial.markers.time, smooth[:, 0], smooth[:, 1])


def spline_path(setup: Setup, time: Array, shared: Array) -> Path:
    """Markers splined over time and along the line: for slow motion with all in sight."""
    from scipy.interpolate import CubicSpline

    markers = setup.trial.markers
    on_line = np.flatnonzero(np.isfinite(markers.station))
    order = on_line[np.argsort(markers.station[on_line])]
    place = filled(markers.time, _despiked(markers.position[:, order]))
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
    """Prior means; for markers on the grip's side, their place as the first samples show it."""
    shared = setup.shared.mean.copy()
    markers = setup.trial.markers
    if setup.chain.handle_links == 0 or not markers.on_handle.any():
        return shared
    grip = end_path(setup, far=False)
    base, _, _, axis, _, _ = grip.at(markers.time)
    for li in np.flatnonzero(markers.on_handle):
        arm = markers.position[:, li] - base
        height = (arm * axis).sum(-1)
        radius = np.linalg.norm(arm - height[:, None] * axis, axis=-1)
        for what, value in (("axial", height), ("radial", radius)):
            column = setup.shared.index(f"{what}:{markers.labels[li]}")
            shared[column] = np.nanmedian(value)
            setup.shared.mean[column] = shared[column]
    return shared
