"""What every reader of marker files returns, and the one rule that they share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lashwave.quantities import Array

FARTHEST = 500.0
"""No marker is farther from the origin of the lab [m]."""
FEWEST = 20
"""Samples that a trial needs; the trial format's figure."""


@dataclass(frozen=True)
class MarkerSamples:
    """What a file of marker samples holds, for the labels that were asked for."""

    time: Array
    """(T,) [s], of one rate."""
    rate: float
    """[Hz]"""
    labels: tuple[str, ...]
    """Of the columns of `position`: those asked for, or every one that is not doubled."""
    position: Array
    """(T, L, 3) [m], nan where not seen; a label that the file lacks is nan throughout."""
    present: tuple[str, ...]
    """Every label in the file."""
    unlabelled_time: Array
    """(U,) [s] of samples of points that have no label."""
    unlabelled_position: Array
    """(U, 3) [m]"""
    sd: Array | None = None
    """(T, L) [m], where the file states it."""
    notes: tuple[str, ...] = ()
    """What was assumed or passed over, each a sentence without the file's name."""


Reader = Callable[[Path, str, tuple[str, ...] | None, float | None], MarkerSamples]
"""From a file, its name in messages, the labels wanted (None: all) and a rate [Hz] that replaces
the file's own (None: none does). Raises InputError with the file, the field and a remedy."""


def zeros_to_gaps(position: Array) -> int:
    """Set places (..., 3) [m] that are exactly zero to nan, in place; how many there were.

    Some exporters mark a gap by zeros alone: no marker sits exactly at the lab's origin.
    """
    zero = position[..., 0] == 0.0
    if not zero.any():
        return 0
    zero &= (position[..., 1] == 0.0) & (position[..., 2] == 0.0)
    position[zero] = np.nan
    return int(zero.sum())
