"""The numbers by which flashes and sounds are found, each with what it is and what set it.

Where a field names no source, its value was set by trial on painted flashes and on recorded and
computed impulses, and is checked only by `tests/points/test_strobe.py` and `test_onsets.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class FlashSettings:
    """How strobe flashes are found in images, and a clock in them."""

    pixels: int = 4096
    """That the brightness is taken from, at most."""
    sure: float = 6.0
    """A flash stands this many standard deviations above the frames around it."""
    part: float = 0.3
    """And is at least this share of the usual flash."""
    edge: float = 0.05
    """A frame lit by less than this share, or by all but this, does not show an edge."""
    clear: float = 3.0
    """A clock this much more likely (in log) than every other is the answer: odds of 20."""
    window: float = 4.0
    """Clocks are looked for within this many standard deviations of the stated offset."""
    missed: float = float(np.log(0.05))
    """Log likelihood of a flash that should be in the frames and was not found. Assumed."""
    stray: float = 1.0
    """Beyond its own reach, a true flash is within this many frames of the clock."""
    drifts: int = 401
    """Grid of drifts that the region of possible clocks is summed over."""
    fewest_frames: int = 8
    """Frames that a clock must share with the markers to be judged by the motion."""


@dataclass(frozen=True)
class SoundSettings:
    """How the onset of an impulse is found, and a faulty channel."""

    trigger: float = 8.0
    """Of an impulse over the quiet [standard deviations]: once in 1e15 samples by chance."""
    quiet: float = 2e-3
    """Time under the trigger that parts an impulse from what came before it [s]."""
    before: float = 50e-3
    """Time before the peak that gives its quiet [s]."""
    rise: float = 1e-3
    """Time in which an impulse must reach its first peak [s]."""
    ring: float = 5e-3
    """Time after the onset in which the peak is looked for [s]."""
    hop: float = 0.5e-3
    """Between moments at which the channels' loudness is compared [s]."""
    lead: float = 10e-3
    """Time before a moment that it is compared with [s]."""
    reach: float = 15e-3
    """Channels of one recorder hear one event within this long of one another [s]: 5 m."""
    louder: float = 3.0
    """A sound has arrived where it is this many times louder than what was before."""
    swell_sd: float = 150e-6
    """By how much a sound that swells is heard late [s]: 25 to 143 us RMS for swells of unlike
    shapes (0.5 to 6 ms long, as a root or straight, 20 and 60 times the noise); the worst is taken.
    """
    agree: float = 0.2e-3
    """An edge that begins within this long of the first arrival is that arrival's [s]."""
    clear: float = 10.0
    """A channel can be used whatever the others are where its peak is so many times its noise."""
    noisy: float = 10.0
    """A channel is noisy whose quiet lies this far above the channels' middle [dB]."""
    weak: float = 20.0
    """A channel is weak whose peak lies this far under the channels' middle [dB]."""


FLASHES = FlashSettings()
SOUND = SoundSettings()
"""What `lashwave locate` uses."""
