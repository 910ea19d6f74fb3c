"""Whether a label stays with one marker: leaps that no marker makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]


AROUND = 5
"""Steps before and after a step that say what speed is usual there."""


@dataclass(frozen=True)
class LeapRule:
    """What passes for a leap from one sample of a label to its next."""

    speed: float = 5.0
    """[m/s] over twice the greatest speed of the steps around."""
    reach: int = 60
    """Samples apart up to which speed is judged."""


def torn(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    step: float,
    rule: LeapRule = LeapRule(),
) -> Mask:
    """(U,) labelled points of tracks that a leap parts from the rest of their label.

    Of the two tracks (U,) that meet at a leap the one goes whose points times lead (U,) are fewer,
    until no leap is left.
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        own = np.flatnonzero(label == k)
        own = own[np.argsort(sample[own], kind="stable")]
        while own.size > 1:
            leaps = _leaps(sample[own], position[own], step, rule)
            if not leaps.size:
                break
            weight = np.bincount(track[own], 1.0 + lead[own])
            ends = track[own[[leaps, leaps + 1]]]
            light = ends.ravel()[weight[ends].argmin()]
            gone = track[own] == light
            out[own[gone]] = True
            own = own[~gone]
    return out


def _leaps(seen: Whole, place: Array, step: float, rule: LeapRule) -> Whole:
    """Indices j such that a label's sample j + 1 does not follow from its sample j."""
    gap = np.diff(seen)
    speed = np.linalg.norm(np.diff(place, axis=0), axis=1) / (gap * step)
    padded = np.concatenate([np.zeros(AROUND), speed, np.zeros(AROUND)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    usual = np.delete(windows, AROUND, axis=1).max(axis=1)
    return np.flatnonzero((gap <= rule.reach) & (speed > 2.0 * usual + rule.speed))
