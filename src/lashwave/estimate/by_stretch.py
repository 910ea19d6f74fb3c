"""What is asked of a whole path, asked stretch by stretch, so that little is held at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate.folds import fold_spread
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, with_shares
from lashwave.estimate.setup import HINGE
from lashwave.estimate.sighting_rows import Seen, Weights, camera_times, look, tail_weights
from lashwave.estimate.stretches import Division, Stretch
from lashwave.quantities import Array, Mask

WIDE = 60
"""Times beside a stretch in which the random acceleration's density looks for the largest."""


def densities(division: Division, path: Path, looseness: Array) -> Array:
    """(K, N + 1) [m2/s3], density of the random acceleration at a path.

    looseness : (K,) [1], factor on what is stated.
    """
    out = np.empty((path.time.size, path.chord.shape[1] + 1))
    for s in division.all(path, WIDE):
        own = slice(*s.own)
        out[s.first : s.last] = spread(s.setup, s.path)[own] * looseness[s.first : s.last, None]
    return out


def shared_out(division: Division, path: Path) -> Path:
    """The path with its shares and its swing, as `with_shares` gives them."""
    share = np.zeros_like(path.chord)
    swing = np.zeros((*share.shape[:1], share.shape[1] + 1, 3))
    for s in division.all(path):
        part, own = with_shares(s.setup, s.path, s.density), slice(*s.own)
        assert part.share is not None and part.swing is not None
        share[s.first : s.last], swing[s.first : s.last] = part.share[own], part.swing[own]
    return replace(path, share=share, swing=swing, hinge=division.setup.shared.index(HINGE))


@dataclass(frozen=True)
class AllResiduals:
    """Residuals of all sightings of a record, whitened, and how many rows they are."""

    marker: Array
    """(T, L, 3), nan where not used."""
    camera: dict[str, Array]
    """(P, 2)"""
    rows: int

    def as_seen(self) -> Seen:
        """As a diagnosis takes it, without the rows."""
        none = np.zeros(0, dtype=np.int64)
        rows = (none, np.zeros(0), np.zeros(0), np.zeros(0), none, np.zeros(0))
        return Seen(rows, none, 0.0, self.marker, self.camera)


def sighted(division: Division, path: Path) -> AllResiduals:
    """All sightings against a path."""
    trial = division.setup.trial
    marker = np.full(trial.markers.position.shape, np.nan)
    camera = {c.name: np.full((c.frame.size, 2), np.nan) for c in trial.cameras}
    rows = 0
    for s in division.all(path):
        seen = look(s.setup, s.path, s.weights)
        rows += int(seen.starts[s.own[1]] - seen.starts[s.own[0]])
        mine = _own_times(s, path, trial.markers.time[s.rows])
        marker[s.rows][mine] = seen.marker[mine]
        for c in s.setup.trial.cameras:
            at = np.flatnonzero(s.points[c.name])
            own = _own_times(s, path, camera_times(s.setup, c, path.shared))
            camera[c.name][at[own]] = seen.camera[c.name][own]
    return AllResiduals(marker, camera, rows)


def _own_times(s: Stretch, path: Path, time: Array) -> Mask:
    """Which of some times [s] lie in a stretch and in no other."""
    begin = -np.inf if s.first == 0 else path.time[s.first]
    end = np.inf if s.last == path.time.size else path.time[s.last]
    return np.asarray((time >= begin) & (time < end))


def with_weights(division: Division, path: Path) -> Division:
    """The division with robust weights as they are at a path."""
    folds = fold_spread(division.setup, path)
    weights = replace(division.weights, folds=folds)
    plain = replace(division, weights=replace(weights, marker=np.ones_like(weights.marker)))
    seen = sighted(plain, path)
    degrees = division.setup.options.degrees
    robust = Weights(
        tail_weights(seen.marker, degrees),
        {name: tail_weights(r, degrees) for name, r in seen.camera.items()},
        weights.camera_sd,
        folds=folds,
    )
    return replace(division, weights=robust)
