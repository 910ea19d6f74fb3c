"""A trial before its pictures and sound were searched, and what is found in them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.clock_fit import ClockFit
from lashwave.quantities.images import Frames, TipTrack
from lashwave.quantities.sightings import Fronts, Markers, Onset, TuftWidths
from lashwave.quantities.sound import Sound
from lashwave.quantities.trial import Trial


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
    fronts: Fronts | None = None
    tuft: TuftWidths | None = None
    notes: tuple[str, ...] = ()
    """What was found, passed over or in doubt, each a sentence for the user."""


@dataclass(frozen=True)
class Found:
    """All that pictures and sound of a trial showed."""

    cameras: dict[str, Located]
    markers: Markers | None = None
    """From cameras that show dots; None where there are none."""
    onsets: tuple[Onset, ...] = ()
    notes: tuple[str, ...] = ()
    """What was found, passed over or in doubt, each a sentence for the user."""
