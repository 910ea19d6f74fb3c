"""A driven end in a forecast: its markers while they are seen, its own motion carried on while not.

Two markers give place and direction. With one of them out of sight the direction is what the fit
of the line has found so far, turning on at the rate that it has; the marker that is left gives the
place. Bridging a long gap instead would turn the grip to wherever the lost marker was last seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.marker_tracks import despiked
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.instruments import BRIDGED
from lashwave.mechanics import Grip
from lashwave.quantities import Array, Mask, NotConvergedError, Trial

RATE = 4e-3
"""Last part of a path that tells how fast its end moves and turns [s]."""
AROUND = 5
"""Samples on either side of a forecast that its curve is laid through."""
SMOOTH = 9
"""Samples that a cubic smooths."""


@dataclass(frozen=True)
class DrivenEnd:
    """Markers of one driven end."""

    time: Array
    """(T,) [s]"""
    place: Array
    """(T, L, 3) [m], smoothed, short gaps bridged; nan where not known."""
    offset: Array
    """(L,) [m], of the markers from the end along its direction."""
    far: bool

    @property
    def known(self) -> Mask:
        """(T, L)"""
        return np.asarray(np.isfinite(self.place[..., 0]))

    @property
    def both(self) -> Mask:
        """(T,), where place and direction are given."""
        return np.asarray(self.known.sum(axis=1) >= 2)

    def seen(self) -> Grip:
        """The end where two markers are known, a spline in between.

        Raises NotConvergedError where two are seen together at fewer than two times.
        """
        rows = np.flatnonzero(self.both)
        if rows.size < 2:
            raise NotConvergedError("fewer than two markers near a driven end are seen together")
        at, along = np.empty((rows.size, 3)), np.empty((rows.size, 3))
        for pattern in np.unique(self.known[rows], axis=0):
            own = (self.known[rows] == pattern).all(axis=1)
            at[own], along[own] = self.fitted(rows[own], np.asarray(pattern))
        return Grip(self.time[rows], at, along)

    def fitted(self, rows: slice | NDArray[np.int64], used: Mask) -> tuple[Array, Array]:
        """Place (R, 3) [m] and direction (R, 3) [1] by least squares on two markers or more."""
        design = np.stack([np.ones(int(used.sum())), self.offset[used]], axis=1)
        fit = np.einsum("pl,tla->tpa", np.linalg.pinv(design), self.place[rows][:, used])
        return fit[:, 0], fit[:, 1]

    def ahead(self, setup: FitSetup, path: Path, until: float) -> Grip:
        """The end's motion from the path's last time to `until`, starting where the path is."""
        start = float(path.time[-1])
        link = -1 if self.far else 0
        place, direction = path.base, path.direction[:, link]
        if self.far:
            # Simulated links are as long as the line, the path's are chords of bent ones.
            place = path.base + np.einsum("l,kla->ka", setup.chain.length, path.direction)
        rows = self._rows(start, until)
        time = self.time[rows]
        used = np.asarray(self.known[rows].all(axis=0))
        if used.sum() >= 2:
            at, along = self.fitted(rows, used)
        else:
            along = _carried_on(path.time, direction, time)
            along /= np.linalg.norm(along, axis=-1, keepdims=True)
            at = _carried_on(path.time, place, time)
            if used.any():
                at = self.place[rows][:, used][:, 0] - self.offset[used][0] * along
        grip = Grip(time, at, along)
        p, _, _, d, _, _ = grip.at(np.array([start]))
        turned = along / np.linalg.norm(along, axis=-1, keepdims=True) + (direction[-1] - d[0])
        return Grip(time, at + (place[-1] - p[0]), turned)

    def _rows(self, start: float, until: float) -> slice:
        """Samples around a forecast, as far as the same markers are known as within it."""
        first = max(int(np.searchsorted(self.time, start + 1e-9)) - 1, 0)
        last = min(int(np.searchsorted(self.time, until - 1e-9)), self.time.size - 1)
        last = max(last, min(first + 1, self.time.size - 1))
        inside = self.known[first : last + 1].all(axis=0)
        low, high = first, last
        while low > max(first - AROUND, 0) and self.known[low - 1, inside].all():
            low -= 1
        while high < min(last + AROUND, self.time.size - 1) and self.known[high + 1, inside].all():
            high += 1
        return slice(low, high + 1)


def _carried_on(time: Array, value: Array, at: Array) -> Array:
    """Values (K, 3) from the last one on at their last rate, at times `at`."""
    last = slice(min(int(np.searchsorted(time, time[-1] - RATE)), time.size - 3), None)
    t = time[last] - time[-1]
    rate = np.polyfit(t, value[last], 1)[0] if t.size > 2 else np.zeros(value.shape[1])
    return np.asarray(value[-1] + (at - time[-1])[:, None] * rate)


def nearest(trial: Trial, far: bool) -> NDArray[np.int64]:
    """Markers that give a driven end's motion, by number (M,), no unit.

    Those on the rigid grip; where there are none, or no grip, the first two of the line, which is
    a first guess only: the fit itself weighs them properly.
    """
    station = trial.markers.station
    on_line = np.flatnonzero(np.isfinite(station))
    order = on_line[np.argsort(station[on_line])]
    if far:
        return order[-2:]
    inside = order[station[order] <= trial.line.handle_length + 1e-9]
    rigid = trial.line.handle_length > 0.0
    return inside if inside.size >= 2 or (rigid and inside.size) else order[:2]


def driving(trial: Trial) -> set[int]:
    """Numbers of the markers that give the motion of the driven end, or of both."""
    ends = (False, True) if trial.line.ends == "held" else (False,)
    return {int(i) for far in ends for i in nearest(trial, far)}


def driven_end(setup: FitSetup, far: bool) -> DrivenEnd:
    """The near or the far end.

    Raises
    ------
    NotConvergedError : where no marker there was ever seen.
    """
    trial = setup.trial
    markers = trial.markers
    used = nearest(trial, far)
    place = _smoothed(markers.time, despiked(markers.position[:, used]))
    if not np.isfinite(place).any():
        raise NotConvergedError("no marker near a driven end is ever seen: its motion is unknown")
    origin = trial.line.length if far else 0.0
    return DrivenEnd(markers.time, place, markers.station[used] - origin, far)


def _smoothed(time: Array, place: Array) -> Array:
    """Marker places (T, L, 3) by stretches without a long gap, short gaps bridged."""
    from scipy.interpolate import PchipInterpolator
    from scipy.signal import savgol_filter

    out = np.full_like(place, np.nan)
    for label in range(place.shape[1]):
        seen = np.flatnonzero(np.isfinite(place[:, label, 0]))
        for part in np.split(seen, np.flatnonzero(np.diff(time[seen]) > BRIDGED) + 1):
            if part.size < 2:
                continue
            whole = np.arange(part[0], part[-1] + 1)
            curve = PchipInterpolator(time[part], place[part, label], axis=0)(time[whole])
            window = min(SMOOTH, (whole.size - 1) // 2 * 2 + 1)
            out[whole, label] = savgol_filter(curve, window, 3, axis=0) if window > 3 else curve
    return out
