"""A trial predicted from its hand's motion alone, and held against what was seen.

The run starts at the first sample from the reconstructed state and follows the reconstructed hand
to the end of the record; nothing of the line that was seen in between enters. (The hand's own
motion was estimated with all sightings; where markers sit on the grip they carry nearly all of
it.) An ensemble does the same from draws of the posterior: each its own hand, start and law.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lashwave.estimate import FitSetup
from lashwave.instruments import frame_time, project
from lashwave.quantities import Array, Camera, Index, InputError
from lashwave.study.forecast import MotionOnNodes, Rival, carry, marker_nodes

LEVELS = (5e-3, 20e-3, 100e-3)
"""Of the distance between prediction and sample, for horizons [m]."""


@dataclass(frozen=True)
class Prediction:
    """What the hand's motion alone predicts, at the marker samples."""

    time: Array
    """(T,) [s]"""
    labels: tuple[str, ...]
    station: Array
    """(L,) [m], of the markers on the free part of the line."""
    residual: Array
    """(T, L, 3) [m], predicted less seen; nan where not seen."""
    spread: Array
    """(T, L) [m], the ensemble's standard deviation of one coordinate."""
    covered: Array
    """(T, L, 3), 1 where the sample lies within the ensemble's 95 % interval, 0 outside."""
    tip_speed: Array
    """(T,) [m/s], of the reconstructed hand and state"""
    tip_draws: Array
    """(D, T) [m/s]"""
    tip_seen: Array
    """(T,) [m/s], reconstructed"""
    camera: dict[str, tuple[Array, Array]]
    """By name: lab time (P,) [s] of the points, predicted less seen (P, 2) [px]."""

    @property
    def distance(self) -> Array:
        """(T,) [m], root mean square over the markers seen of the distance to them."""
        square = (self.residual**2).sum(-1)
        seen = np.isfinite(square)
        total = np.where(seen, square, 0.0).sum(1)
        return np.asarray(np.sqrt(total / np.where(seen.any(1), seen.sum(1), np.nan)))

    def horizon(self, level: float) -> float | None:
        """Until when [s] after the start the distance stays within `level`; None: to the end."""
        past = np.flatnonzero(self.distance > level)
        return None if past.size == 0 else float(self.time[past[0]] - self.time[0])

    def spread_horizon(self, level: float) -> float | None:
        """The same for the ensemble's own spread: how far it could have been known beforehand."""
        past = np.flatnonzero(np.sqrt(3.0) * np.sqrt((self.spread**2).mean(1)) > level)
        return None if past.size == 0 else float(self.time[past[0]] - self.time[0])


def predicted(
    setup: FitSetup,
    model: Rival,
    seen: MotionOnNodes,
    members: Iterable[tuple[Rival, MotionOnNodes]],
    shared: dict[str, float],
) -> Prediction:
    """Predict from the start of the motion to its end.

    Parameters
    ----------
    members : of the ensemble, each with a law, hand and start of its own; those that cannot be
        carried to the end are left out.
    shared : clock offsets and registrations of the cameras.

    Raises
    ------
    InputError : the prediction itself, or all but one of the ensemble, cannot be carried on.
    """
    markers = setup.trial.markers
    on, node = marker_nodes(setup)
    inside = (markers.time >= seen.time[0]) & (markers.time <= seen.time[-1])
    times = markers.time[inside]
    views = {c.name: _points(c, seen, shared) for c in setup.trial.cameras}
    grid = np.unique(np.concatenate([times, *[when for when, _ in views.values()]]))
    at = np.searchsorted(grid, times)
    run = carry(model, setup.gravity, seen, grid)
    if run is None:
        raise InputError(
            setup.trial.name, "the motion cannot be carried to its end from its hand",
            "look at the grip's motion and the stiffness",
        )  # fmt: skip
    cloud, tips = _ensemble(setup, members, times, node)
    sample = markers.position[inside][:, on]
    own = markers.sd[inside][:, on][..., None]
    sd = np.hypot(cloud.std(axis=0, ddof=1), own)
    covered = np.where(
        np.isfinite(sample), np.abs(sample - cloud.mean(axis=0)) <= 1.96 * sd, np.nan
    )
    return Prediction(
        time=times,
        labels=tuple(np.asarray(markers.labels)[on]),
        station=markers.station[on],
        residual=run[0][np.ix_(at, node)] - sample,
        spread=np.sqrt((cloud.var(axis=0, ddof=1)).mean(-1)),
        covered=covered.astype(float),
        tip_speed=np.linalg.norm(run[1][at, -1], axis=-1),
        tip_draws=tips,
        tip_seen=np.linalg.norm(seen.at(times)[1][:, -1], axis=-1),
        camera={
            c.name: _camera_miss(setup, c, views[c.name], grid, run[0], shared)
            for c in setup.trial.cameras
        },
    )


def _ensemble(
    setup: FitSetup, members: Iterable[tuple[Rival, MotionOnNodes]], times: Array, node: Index
) -> tuple[Array, Array]:
    """Places (D, T, L, 3) [m] of some nodes (L,) and tip speeds (D, T) [m/s] of each member."""
    places, tips = [], []
    for member, motion in members:
        one = carry(member, setup.gravity, motion, times)
        if one is not None:
            places.append(one[0][:, node])
            tips.append(np.linalg.norm(one[1][:, -1], axis=-1))
    if len(places) < 2:
        raise InputError(setup.trial.name, "no ensemble could be carried on", "ask for more draws")
    return np.array(places), np.array(tips)


def _points(camera: Camera, seen: MotionOnNodes, shared: dict[str, float]) -> tuple[Array, Index]:
    """Lab times of a camera's points within the motion, and which they are."""
    offset = shared.get(f"clock_offset:{camera.name}", camera.clock.offset)
    drift = shared.get(f"clock_drift:{camera.name}", 0.0)
    when = frame_time(camera.rate, camera.counted(camera.frame), offset, drift)
    keep = np.flatnonzero((when >= seen.time[0]) & (when <= seen.time[-1]))
    return when[keep], keep


def _camera_miss(
    setup: FitSetup, camera: Camera, view: tuple[Array, Index], grid: Array, position: Array,
    shared: dict[str, float],
) -> tuple[Array, Array]:  # fmt: skip
    """Lab times and predicted less seen points [px] of one camera."""
    when, keep = view
    s = setup.chain.station
    node = np.abs(s[None, :] - camera.station[keep, None]).argmin(axis=1)
    place = position[np.searchsorted(grid, when), node]
    shift = [shared.get(f"registration_{a}:{camera.name}", 0.0) for a in "uv"]
    return when, project(camera, place) + np.array(shift) - camera.uv[keep]
