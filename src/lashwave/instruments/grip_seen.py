"""When a rigid grip is seen by too few markers for its direction, and what is at stake then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.trial import Trial

BRIDGED = 20e-3
"""Longest gap of a marker that can be bridged [s]; a hand's acceleration lasts some 50 ms."""


@dataclass(frozen=True)
class FewSeen:
    """A stretch of the record in which fewer than two markers of the grip's axis are known."""

    begin: float
    """[s]"""
    end: float
    """[s]"""
    to_the_end: bool
    """Of the record."""
    axis: tuple[str, ...]
    """The marker on the axis that is seen; none or one."""
    side: tuple[str, ...]
    """Markers on the grip's side that are seen for most of it."""

    @property
    def words(self) -> str:
        """What is at stake, in one sentence."""
        by = f"held by one marker ({self.axis[0]})" if self.axis else "held by no marker"
        if not self.axis and self.side:
            by = "held by no marker on its axis"
        when = f"from {self.begin:.3f} s on" if self.to_the_end else self._between
        source = " and ".join(["the line", *self.side])
        what = "direction is" if self.axis else "motion is"
        only = "" if self.side else " only"
        return (
            f"the grip is {by} {when}: its {what} then known from {source}{only}; positions near "
            "the grip, the hand's torque and work are less sure"
        )

    @property
    def _between(self) -> str:
        return f"from {self.begin:.3f} to {self.end:.3f} s"


def known(time: NDArray[np.float64], seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T, L), where markers are seen, or lost for `BRIDGED` at most between two samples."""
    out = seen.copy()
    for label in range(seen.shape[1]):
        at = np.flatnonzero(seen[:, label])
        for left, right in zip(at[:-1], at[1:], strict=True):
            if time[right] - time[left] <= BRIDGED:
                out[left:right, label] = True
    return out


def few_seen(trial: Trial) -> list[FewSeen]:
    """Stretches, by time; none where the line has no rigid grip, or no marker ever sat on it."""
    markers, rigid = trial.markers, trial.line.handle_length
    axis = np.flatnonzero(markers.station <= rigid + 1e-9)
    side = np.flatnonzero(markers.on_handle)
    if rigid == 0.0 or axis.size + side.size == 0:
        return []
    have = known(markers.time, np.isfinite(markers.position[..., 0]))
    few = have[:, axis].sum(axis=1) < 2
    # a change of the marker that is left begins another stretch
    state = np.where(few, 1 + have[:, axis] @ (1 + np.arange(axis.size)), 0)
    edges = np.flatnonzero(np.diff(state)) + 1
    found = []
    for rows in np.split(np.arange(markers.time.size), edges):
        span = markers.time[rows[-1]] - markers.time[rows[0]]
        if not few[rows[0]] or span <= BRIDGED:
            continue
        name = np.asarray(markers.labels)
        left = name[axis[have[rows[0], axis]]]
        beside = name[side[have[np.ix_(rows, side)].mean(axis=0) > 0.5]]
        last = rows[-1] == markers.time.size - 1
        found.append(
            FewSeen(
                float(markers.time[rows[0]]), float(markers.time[rows[-1]]), bool(last),
                tuple(map(str, left)), tuple(map(str, beside)),
            )
        )  # fmt: skip
    return found
