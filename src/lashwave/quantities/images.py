"""Images of one camera, read one at a time, and what is found in them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array

Image = NDArray[np.uint8] | NDArray[np.uint16]
"""(height, width), grey."""


class Frames(Protocol):
    """Grey images in order, however long the record: only one is held at a time.

    Frame 0 is the first; its lab time follows from the camera's clock and rate, never from a
    container's own clock.
    """

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""

    @property
    def bits(self) -> int:
        """Of a pixel as stored: 8 or 16. 10- and 12-bit images come in 16."""

    def __len__(self) -> int: ...

    def __getitem__(self, frame: int) -> Image:
        """One image; raises IndexError beyond the last, InputError where a file is at fault."""

    def __iter__(self) -> Iterator[Image]: ...


@dataclass(frozen=True)
class Dots:
    """Bright dots found in the images of one camera, by frame."""

    frame: NDArray[np.int64]
    """(D,) not falling"""
    uv: Array
    """(D, 2) [px] centres; pixel centres are whole numbers, u right, v down."""
    sd: Array
    """(D, 2) [px] standard deviation of u and of v; large along a streak."""
    flux: Array
    """(D,) sum over the dot above its background [grey levels]."""
    streak: Array
    """(D,) length of the motion blur [px]; 0 where the dot is round."""
    merged: NDArray[np.bool_]
    """(D,) two dots that could not be parted, or one cut by saturation or by the edge."""


@dataclass(frozen=True)
class TipTrack:
    """The tip of the line in the images of one camera; frames without a tip have no row."""

    frame: NDArray[np.int64]
    """(F,) increasing"""
    uv: Array
    """(F, 2) [px]"""
    sd: Array
    """(F,) [px] of one coordinate"""
