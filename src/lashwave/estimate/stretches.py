"""A long record cut into stretches: each with the times beside it that its rows touch, no more.

A row touches four times at most, so a stretch with `MARGIN` times to either side has every row that
reaches its own times, just as the whole record has it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate.anchor import Anchor
from lashwave.estimate.clock_scan import REACH
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Weights, camera_times
from lashwave.instruments import frame_time
from lashwave.quantities import Array, Camera, Index, Mask, Trial, Whole

MARGIN = 5
"""Times on either side of a stretch."""
FEWEST_TIMES = 20
"""Of a stretch: what it carries on to the next, and the times beside a piece of draws, must lie
within the next."""
SLACK = 2e-3
"""[s] about a span within which a camera's points are kept, and three frames more: a streak is told
by its neighbours."""


@dataclass(frozen=True)
class Stretch:
    """Some times of a record with their margins; arrays are of those times alone."""

    setup: FitSetup
    """With the sightings within them."""
    path: Path
    density: Array
    """(k, N + 1) [m2/s3]"""
    weights: Weights
    anchor: Anchor | None
    """None where it is not the record's first."""
    own: tuple[int, int]
    """First and past-the-last of its own times among those it has."""
    first: int
    """Number of its first own time in the record."""
    last: int
    """The one after its last."""
    rows: slice
    """Of the record's marker samples, those that it has."""
    points: dict[str, Mask]
    """Of each camera's points (P,), likewise."""


def points_within(setup: FitSetup, camera: Camera, shared: Array, begin: float, end: float) -> Mask:
    """(P,), no unit, which of a camera's points fall in a span [s] or next to it.

    shared : (Q,) parameters, each in its own unit, for its clock.
    """
    slack = SLACK + 3.0 / camera.rate
    times = camera_times(setup, camera, shared)
    return np.asarray((times >= begin - slack) & (times <= end + slack))


def cut_trial(trial: Trial, rows: slice, points: dict[str, Mask]) -> Trial:
    """The trial with some of its marker samples, and of each camera's points (P,) some, alone."""
    markers = trial.markers
    few = replace(
        markers, time=markers.time[rows], position=markers.position[rows], sd=markers.sd[rows]
    )
    cameras = tuple(
        replace(
            c,
            frame=c.frame[points[c.name]],
            station=c.station[points[c.name]],
            uv=c.uv[points[c.name]],
            point_sd=c.point_sd[points[c.name]],
        )
        for c in trial.cameras
    )
    return replace(trial, markers=few, cameras=cameras)


def cut_weights(weights: Weights, rows: slice, points: dict[str, Mask]) -> Weights:
    """The weights of those samples and points (P,)."""
    return replace(
        weights,
        marker=weights.marker[rows],
        folds=None if weights.folds is None else weights.folds[rows],
        camera={name: w[points[name]] for name, w in weights.camera.items()},
    )


def may_fall_within(camera: Camera, clock: Array, begin: float, end: float) -> Mask:
    """(P,), no unit, which of a camera's points may fall in a span [s].

    clock : (2,) [s], the offset and its deviation, of which `REACH` are allowed for.
    """
    times = frame_time(camera.rate, camera.counted(camera.frame), float(clock[0]))
    slack = REACH * clock[1]
    return np.asarray((times >= begin - slack) & (times <= end + slack))


def rows_within(time: Array, begin: float, end: float) -> slice:
    """Which marker samples (T,) [s] fall in a span [s]."""
    first, last = np.searchsorted(time, [begin - 1e-9, end + 1e-9])
    return slice(int(first), int(last))


@dataclass(frozen=True)
class Division:
    """Where a record is cut, and what is held while its path moves."""

    setup: FitSetup
    density: Array
    """(K, N + 1) [m2/s3]"""
    weights: Weights
    anchor: Anchor
    cuts: Whole
    """(M + 1,) numbers of times: stretch i has cuts[i] ... cuts[i + 1] - 1."""

    def stretch(self, path: Path, i: int, margin: int = MARGIN) -> Stretch:
        """Stretch i of a path."""
        count = path.time.size
        first, last = int(self.cuts[i]), int(self.cuts[i + 1])
        start, stop = max(first - margin, 0), min(last + margin, count)
        begin, end = float(path.time[start]), float(path.time[stop - 1])
        trial = self.setup.trial
        rows = rows_within(trial.markers.time, begin, end)
        points = {
            c.name: points_within(self.setup, c, path.shared, begin, end) for c in trial.cameras
        }
        return Stretch(
            replace(self.setup, trial=cut_trial(trial, rows, points)),
            path.part(start, stop), self.density[start:stop],
            cut_weights(self.weights, rows, points), self.anchor if i == 0 else None,
            (first - start, last - start), first, last, rows, points,
        )  # fmt: skip

    def all(self, path: Path, margin: int = MARGIN) -> Iterator[Stretch]:
        """Every stretch, in time."""
        return (self.stretch(path, i, margin) for i in range(self.cuts.size - 1))


def cuts_at(time: Array, calm: Array, span: float, most: int) -> Index:
    """(M + 1,) numbers of times, no unit, at which to cut times (K,) [s].

    A stretch lasts three to five quarters of `span` [s] and is cut where `calm` (K,), of any unit,
    is least; one of more than `most` times is cut earlier, the last may be longer.
    """
    cuts = [0]
    while True:
        a = cuts[-1]
        low, high = np.searchsorted(time, time[a] + span * np.array([0.75, 1.25]))
        high = min(int(high), a + most)
        low = max(min(int(low), a + (3 * most) // 5), a + FEWEST_TIMES)
        if high + max(FEWEST_TIMES, (high - a) // 3) >= time.size or low >= high:
            return np.array([*cuts, time.size])
        cuts.append(low + int(np.argmin(calm[low:high])))
