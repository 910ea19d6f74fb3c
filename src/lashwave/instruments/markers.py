"""What a marker system reads of a motion: noise, gaps, loss with speed, ghosts, swapped labels.

Each effect is one function of arrays (time, marker, xyz), so that a study can use them singly;
`read` puts them in the order in which a real system suffers them. Randomness comes from the
caller's generator alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.quantities.arrays import Array, Mask


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
    """Replace a share of the seen samples by places a reflection away; also which they are."""
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
    """Exchange two neighbouring columns for a stretch, `swaps` times; also where it was done."""
    swapped, mask = position.copy(), np.zeros(position.shape[:2], dtype=bool)
    count, labels = position.shape[:2]
    for _ in range(rig.swaps if labels > 1 else 0):
        j = int(rng.integers(labels - 1))
        start = int(rng.integers(count))
        stop = min(count, start + 1 + int(rng.exponential(rig.swap_length)))
        swapped[start:stop, [j, j + 1]] = swapped[start:stop, [j + 1, j]]
        mask[start:stop, [j, j + 1]] = True
    return swapped, mask


def transported(tangent: Array, rng: np.random.Generator) -> Array:
    """Unit vectors normal to the line that turn with it and do not twist, (T, L, 3).

    tangent : (T, L, 3), unit. The first is drawn at random; from sample to sample it takes the
    smallest rotation that carries one tangent to the next.
    """
    normal = rng.normal(size=tangent.shape[1:])
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


def read(
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
