"""Marker tracks with gaps and strays, made fit for a first guess."""

from __future__ import annotations

import numpy as np

from lashwave.quantities.arrays import Array


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


def despiked(position: Array) -> Array:
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
