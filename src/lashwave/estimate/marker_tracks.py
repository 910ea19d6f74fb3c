"""Marker tracks with gaps and strays, made fit for a first guess.

Samples that jump away from their own marker's neighbours in time are reflections, most of them.
They are left out of the forward sweep only, whose first window has no forecast yet to tell them by;
the joint fit looks at every sample again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.quantities import Array, Mask, Trial

APART = 10e-3
"""Neighbours further than this tell nothing [s]."""
LEAST = 0.04
"""No jump is shorter [m]: an acceleration of 2e4 m/s2 departs that far from a chord of 4 ms."""
SHARE = 0.25
"""Nor shorter than this share of the way between the neighbours."""
MOST = 0.15
"""Share of a marker's samples that may be called jumps."""


def _beyond(time: Array, place: Array, one: int, two: int) -> Array:
    """How far samples lie off the line through two others, over its limit (n,); inf if too far.

    one, two : offsets of those two among the seen samples.
    """
    n = time.size
    excess = np.full(n, np.inf)
    k = np.arange(max(0, -one, -two), n - max(0, one, two))
    i, j = k + one, k + two
    near = np.maximum.reduce([time[k], time[i], time[j]]) - np.minimum.reduce(
        [time[k], time[i], time[j]]
    )
    share = ((time[k] - time[i]) / (time[j] - time[i]))[:, None]
    chord = place[j] - place[i]
    off = np.linalg.norm(place[k] - place[i] - share * chord, axis=-1)
    limit = np.maximum(LEAST, SHARE * np.linalg.norm(chord, axis=-1))
    excess[k] = np.where(near <= APART, off / limit, np.inf)
    return excess


def jumps_of(time: Array, place: Array) -> Mask:
    """(T,), which samples of one marker (T, 3) [m] at (T,) [s] jump; nan where not seen.

    A sample jumps that lies off the lines through its neighbours on both sides, through the two
    before and through the two after it.
    """
    found = np.zeros(time.size, dtype=bool)
    seen = np.isfinite(place).all(-1)
    for _ in range(int(MOST * seen.sum())):
        k = np.flatnonzero(seen & ~found)
        if k.size < 3:
            break
        pairs = ((-1, 1), (-2, -1), (1, 2))
        excess = np.min([_beyond(time[k], place[k], *pair) for pair in pairs], axis=0)
        excess[np.isinf(excess)] = 0.0
        worst = int(excess.argmax())
        if excess[worst] <= 1.0:
            break
        found[k[worst]] = True
    return found


def without_jumps(trial: Trial) -> tuple[Trial, Mask]:
    """The trial with jumping samples unseen, and which they are (T, L)."""
    markers = trial.markers
    columns = range(len(markers.labels))
    found = np.stack([jumps_of(markers.time, markers.position[:, i]) for i in columns], axis=1)
    position = np.where(found[..., None], np.nan, markers.position)
    return replace(trial, markers=replace(markers, position=position)), found


def linked_of(trial: Trial) -> Mask:
    """(T, L), which samples go on from their own marker's last two, as a body's place does.

    Those that jump are no part of a track, and none goes on where the three samples span more than
    `APART`: after a gap, and everywhere below 200 samples a second.
    """
    smooth, _ = without_jumps(trial)
    time, position = smooth.markers.time, smooth.markers.position
    linked = np.zeros(position.shape[:2], dtype=bool)
    for label in range(position.shape[1]):
        k = np.flatnonzero(np.isfinite(position[:, label]).all(-1))
        linked[k, label] = _beyond(time[k], position[k, label], -2, -1) <= 1.0
    return linked


def off_track(far: Mask, linked: Mask, seen: Mask) -> Mask:
    """Which of the samples (T, L) that are far from a motion its own marker's track does not hold.

    A track that left the motion without a jump is the marker's: then the motion is wrong, and not
    the samples.

    linked : as of `linked_of`; seen : (T, L), which samples there are.
    """
    held = np.zeros_like(far)
    last = np.zeros(far.shape[1], dtype=bool)
    for k in range(far.shape[0]):
        held[k] = ~far[k] | (linked[k] & last)
        last = np.where(seen[k], held[k], last)
    return far & ~held


def filled(time: Array, position: Array) -> Array:
    """Marker samples (T, L, 3) [m] at (T,) [s], gaps bridged by a monotone cubic, ends kept."""
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
    """Samples (T, L, 3) [m], those far off their running median (2 cm, 8 robust sd) left out."""
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
