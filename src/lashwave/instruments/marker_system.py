"""What a marker system reads of a motion: noise, gaps, loss with speed, ghosts, swapped labels.

Each effect is one function of arrays (time, marker, xyz), so that a study can use them singly;
`marker_reading` puts them in the order in which a real system suffers them. Randomness comes from
the caller's generator alone. `few_seen` says when a rigid grip is seen by too few markers for its
direction, and what is at stake then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import Array, Mask, Trial

BRIDGED = 20e-3
"""Longest gap of a marker that can be bridged [s]; a hand's acceleration lasts some 50 ms."""


@dataclass(frozen=True)
class MarkerRig:
    """How a marker system sees. Shares are of samples, 0 to 1."""

    sd: float = 0.3e-3
    """Of one coordinate [m]."""
    loss_speed: float = 50.0
    """Speed at which half of the samples are lost [m/s]."""
    loss_width: float = 5.0
    """Scale of the logistic of that loss [m/s]."""
    gaps: float = 0.01
    """Share lost in gaps whatever the speed."""
    gap_length: float = 4.0
    """Mean length of those gaps, in samples."""
    missing: float = 0.0
    """Share lost singly at random."""
    ghosts: float = 0.0
    """Share of samples that carry the label of a marker and the place of a reflection."""
    ghost_distance: float = 0.1
    """Typical distance of a reflection from its marker [m]."""
    unlabelled: float = 0.0
    """Points with no label, as a share of the labelled samples."""
    swaps: int = 0
    """Number of stretches in which two neighbours exchange their labels."""
    swap_length: float = 15.0
    """Mean length of such a stretch, in samples."""


def gaps(shape: tuple[int, int], share: float, length: float, rng: np.random.Generator) -> Mask:
    """Samples lost in runs, (T, L): a two-state chain with this share and mean run length."""
    if share <= 0.0:
        return np.zeros(shape, dtype=bool)
    leave = 1.0 / max(length, 1.0)
    enter = leave * share / max(1.0 - share, 1e-12)
    draw = rng.random(shape)
    lost = np.empty(shape, dtype=bool)
    lost[0] = draw[0] < share
    for k in range(1, shape[0]):
        lost[k] = np.where(lost[k - 1], draw[k] >= leave, draw[k] < enter)
    return lost


def lost_by_speed(speed: Array, rig: MarkerRig, rng: np.random.Generator) -> Mask:
    """Samples lost because the marker moved too fast, from speeds (T, L) [m/s]."""
    chance = 1.0 / (1.0 + np.exp(np.clip((rig.loss_speed - speed) / rig.loss_width, -60, 60)))
    # 50 m/s is 10 widths over rest: a marker at rest is lost 5e-5 of the time, not never.
    return np.asarray(rng.random(speed.shape) < chance)


def add_ghosts(position: Array, rig: MarkerRig, rng: np.random.Generator) -> tuple[Array, Mask]:
    """Positions (T, L, 3) [m] with a share of the seen samples replaced by reflections.

    Returns
    -------
    position : (T, L, 3) [m]; ghost : (T, L) which samples are reflections.
    """
    seen = np.isfinite(position[..., 0])
    ghost = seen & (rng.random(seen.shape) < rig.ghosts)
    away = rng.normal(size=position.shape)
    away *= (
        rig.ghost_distance
        * (0.3 + rng.exponential(size=seen.shape))[..., None]
        / np.maximum(np.linalg.norm(away, axis=-1, keepdims=True), 1e-12)
    )
    return np.where(ghost[..., None], position + away, position), ghost


def swap_labels(position: Array, rig: MarkerRig, rng: np.random.Generator) -> tuple[Array, Mask]:
    """Positions (T, L, 3) [m] in which two neighbours exchange their labels for a stretch.

    Returns
    -------
    position : (T, L, 3) [m]; swapped : (T, L) where it was done, `rig.swaps` times.
    """
    swapped, mask = position.copy(), np.zeros(position.shape[:2], dtype=bool)
    count, labels = position.shape[:2]
    for _ in range(rig.swaps if labels > 1 else 0):
        j = int(rng.integers(labels - 1))
        start = int(rng.integers(count))
        stop = min(count, start + 1 + int(rng.exponential(rig.swap_length)))
        swapped[start:stop, [j, j + 1]] = swapped[start:stop, [j + 1, j]]
        mask[start:stop, [j, j + 1]] = True
    return swapped, mask


def transported(tangent: Array, first: Array) -> Array:
    """Unit vectors (T, L, 3), normal to the line, that turn with it and do not twist.

    Parameters
    ----------
    tangent : (T, L, 3), unit vectors. From sample to sample a normal takes the smallest rotation
        that carries one tangent to the next.
    first : (L, 3), any vectors not along the first tangents; their part across is where it starts.
    """
    normal = first
    carried = np.empty_like(tangent)
    for k in range(tangent.shape[0]):
        if k:
            # Two reflections, along the old tangent and along the bisector, make the smallest
            # rotation from the old tangent to the new; singular only at a turn of 180 degrees.
            middle = tangent[k - 1] + tangent[k]
            middle /= np.maximum(np.linalg.norm(middle, axis=-1, keepdims=True), 1e-12)
            along = (normal * middle).sum(-1, keepdims=True)
            across = (normal * tangent[k - 1]).sum(-1, keepdims=True)
            turned = (tangent[k - 1] * middle).sum(-1, keepdims=True)
            normal = normal - 2 * across * tangent[k - 1]
            normal = normal - 2 * (along - 2 * across * turned) * middle
        normal = normal - (normal * tangent[k]).sum(-1, keepdims=True) * tangent[k]
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        carried[k] = normal
    return carried


@dataclass(frozen=True)
class MarkerReading:
    """What the system wrote down, and what was done to it."""

    position: Array
    """(T, L, 3) [m], nan where not seen."""
    unlabelled_time: Array
    """(U,) [s]"""
    unlabelled_position: Array
    """(U, 3) [m]"""
    ghost: Mask
    """(T, L)"""
    swapped: Mask
    """(T, L)"""


def marker_reading(
    time: Array,
    position: Array,
    speed: Array,
    rig: MarkerRig,
    rng: np.random.Generator,
    blocked: Mask | None = None,
) -> MarkerReading:
    """Samples of a marker system.

    Parameters
    ----------
    time : (T,) [s]; position : (T, L, 3) [m], true places of the markers' centres, column order
        along the line; speed : (T, L) [m/s].
    blocked : (T, L), samples that something hides.
    """
    seen = position + rng.normal(0.0, rig.sd, position.shape)
    lost = lost_by_speed(speed, rig, rng)
    lost |= gaps(speed.shape, rig.gaps, rig.gap_length, rng)
    lost |= rng.random(speed.shape) < rig.missing
    if blocked is not None:
        lost |= blocked
    seen = np.where(lost[..., None], np.nan, seen)
    seen, ghost = add_ghosts(seen, rig, rng)
    seen, swapped = swap_labels(seen, rig, rng)
    stray = np.argwhere(np.isfinite(seen[..., 0]) & (rng.random(speed.shape) < rig.unlabelled))
    places = position[stray[:, 0], stray[:, 1]] + rng.normal(0.0, 0.3, (len(stray), 3))
    return MarkerReading(seen, time[stray[:, 0]], places, ghost, swapped)


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


def bridged(time: NDArray[np.float64], seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T, L) where markers are seen, or lost for `BRIDGED` [s] at most between samples (T,) [s]."""
    out = seen.copy()
    for label in range(seen.shape[1]):
        at = np.flatnonzero(seen[:, label])
        for i in np.flatnonzero(np.diff(at) > 1):  # of a million samples few begin a gap
            if time[at[i + 1]] - time[at[i]] <= BRIDGED:
                out[at[i] : at[i + 1], label] = True
    return out


def few_seen(trial: Trial) -> list[FewSeen]:
    """Stretches, by time; none where the line has no rigid grip, or no marker ever sat on it."""
    markers, rigid = trial.markers, trial.line.handle_length
    axis = np.flatnonzero(markers.station <= rigid + 1e-9)
    side = np.flatnonzero(markers.on_handle)
    if rigid == 0.0 or axis.size + side.size == 0:
        return []
    have = bridged(markers.time, np.isfinite(markers.position[..., 0]))
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
