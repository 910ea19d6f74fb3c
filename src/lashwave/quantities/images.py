"""Images of one camera, read one at a time, and what is found in them.

What microphones recorded, sample by sample, and what is wrong with a channel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array
from lashwave.quantities.clock_fit import ClockFit, ClockHealth
from lashwave.quantities.sightings import Fronts, Markers, Onset, TuftWidths
from lashwave.quantities.trial import Trial


@dataclass(frozen=True)
class Sound:
    """One sound file."""

    samples: NDArray[np.float64]
    """(N, C) in units of full scale: -1 to 1; floating-point files may go beyond."""
    rate: float
    """Samples a second [Hz], as the file states."""
    step: float
    """One quantisation step [full scale]; 0 for floating-point samples."""
    clipped: NDArray[np.int64]
    """(C,) samples that stand at full scale, or on a flat top cut off below it; 0 where the
    channel has none that follow one another."""
    dead: NDArray[np.bool_]
    """(C,) nothing but a constant, or one step up and down of it."""
    dropped: NDArray[np.int64]
    """(C,) samples in long stretches of one value within a channel that is otherwise alive."""
    offset: NDArray[np.float64]
    """(C,) mean [full scale]."""

    @property
    def channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def bad(self) -> NDArray[np.bool_]:
        """(C,), no unit: of no use: dead, with stretches dropped, or off centre by a tenth."""
        return self.dead | (self.dropped > 0) | (np.abs(self.offset) > 0.1)


@dataclass(frozen=True)
class Pictures:
    """A trial with the images that no one has searched yet."""

    trial: Trial
    """Cameras whose points are still in their images have none; so may the markers."""
    frames: dict[str, Frames]
    """Images by camera, of those to be searched."""
    tip: dict[str, float]
    """Station of the tip [m] by camera, of those that say which feature it is."""
    feature: dict[str, str]
    """That feature's name by camera."""
    sounds: dict[str, Sound] = field(default_factory=dict)
    """By the microphone's file."""


@dataclass(frozen=True)
class Located:
    """What one camera's images showed."""

    tip: TipTrack | None = None
    flashes: NDArray[np.int64] | None = None
    clock: ClockFit | None = None
    """By the flashes, where there are any."""
    clock_health: ClockHealth | None = None
    """How they keep to it."""
    fronts: Fronts | None = None
    tuft: TuftWidths | None = None
    notes: tuple[str, ...] = ()
    """What was found, passed over or in doubt, each a sentence for the user."""


@dataclass(frozen=True)
class RingHealth:
    """How far the images of points miss in one camera of a ring, by what the others say."""

    name: str
    rms: float
    """Of one image coordinate [px]."""
    shift: Array
    """(2,) [px] median miss."""
    by_place: Array
    """(rows, columns, 2) [px] mean miss in each part of the view; nan where few were seen."""
    count: NDArray[np.int64]
    """(rows, columns) [1] images of points there."""
    by_time: Array
    """(B, 2) [px] mean miss in each part of the record; nan where few were seen."""
    from_frame: Array
    """(B,) [1] first frame of each."""


@dataclass(frozen=True)
class LocatedMarkers:
    """Markers from the pictures of several cameras."""

    markers: Markers
    offsets: tuple[tuple[str, float], ...]
    """By name of each other camera: how far they may all be off in its picture, its own
    registration included [px]."""
    placed: tuple[tuple[str, Array], ...]
    """By name of a camera that was moved: its projection (3, 4) as it stands now [m to px]."""
    health: tuple[RingHealth, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Found:
    """All that pictures and sound of a trial showed."""

    cameras: dict[str, Located]
    markers: Markers | None = None
    """From cameras that show dots; None where there are none."""
    offsets: tuple[tuple[str, float], ...] = ()
    """How far these markers may all be off in other cameras' pictures, as in `LocatedMarkers`."""
    placed: tuple[tuple[str, Array], ...] = ()
    """Projections of cameras that were moved, as in `LocatedMarkers`."""
    onsets: tuple[Onset, ...] = ()
    notes: tuple[str, ...] = ()
    """What was found, passed over or in doubt, each a sentence for the user."""
    health: tuple[RingHealth, ...] = ()
    """Of the cameras that show dots."""


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
